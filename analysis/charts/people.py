"""Technique compared with peers, the effect of coaching, and how completely each technician records; in order of name."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import polars as pl

from analysis.charts.chart_tables import Source, coaching_rows, table_from_source, with_columns
from analysis.charts.own_look import with_built_in_look
from analysis.charts.rates import MAX_GROUPS, truncation_note
from analysis.charts.theme import (
    DETAIL_WIDTH,
    HIGH,
    LOW,
    PERCENT,
    PLAIN,
    UNTITLED,
    WIDTH,
    click_selection,
    conditional,
    interval_rule,
    layer_charts,
    rows_height,
    selected_name,
    vertical_line,
    wrap_column,
)

MORE, FEWER, ALIKE = "missed more often than peers", "missed less often than peers", "no clear difference"
COMPARISONS = [MORE, FEWER, ALIKE]
PEER_COLOURS = alt.Scale(domain=COMPARISONS, range=[HIGH, LOW, PLAIN])
PEER_MARKS = alt.Scale(domain=COMPARISONS, range=["triangle-up", "triangle-down", "circle"])
EXCESS_AXIS = {**PERCENT, "tickCount": 5, "title": "difference from peers (percentage points)"}
COACHING_AXIS = "change in share missed against peers\n(left: fewer misses)"
CELL_PX = 24
COMPARISON: dict[str, Any] = {"title": "against peers"}
TECHNICIAN_AXIS = {"title": None, "labelAngle": -60, "orient": "top", "labelOverlap": False}


def peer_comparison_words() -> pl.Expr:
    """How a technician's misses of a step compare with peers, in words."""
    more = pl.when(pl.col("clear") & (pl.col("excess") > 0)).then(pl.lit(MORE))
    return more.when(pl.col("clear") & (pl.col("excess") < 0)).then(pl.lit(FEWER)).otherwise(pl.lit(ALIKE))


def select_technicians(technique: pl.DataFrame) -> pl.DataFrame:
    """Rows of the technicians a chart has room for: those with most steps clearly unlike peers, then with most bleeds.

    Parameters
    ----------
    technique
        Columns technician, recorded, lo and hi, as in `schemas.outputs.Technique`.
    """
    people = technique.group_by("technician").agg(
        unlike=((pl.col("lo") > 0) | (pl.col("hi") < 0)).sum(), bleeds=pl.col("recorded").max()
    )
    if people.height <= MAX_GROUPS:
        return technique
    selected = people.sort("unlike", "bleeds", "technician", descending=[True, True, False]).head(MAX_GROUPS)
    return technique.filter(pl.col("technician").is_in(selected.get_column("technician").to_list()))


def technique_tooltip() -> list[alt.Tooltip]:
    """One technician's misses of one step next to peers'."""
    return [
        alt.Tooltip("technician:N", title="technician"),
        alt.Tooltip("title:N", title="step"),
        alt.Tooltip("missed:Q", title="missed", format=",d"),
        alt.Tooltip("recorded:Q", title="recorded", format=",d"),
        alt.Tooltip("share:Q", title="missed by this technician", format=".0%"),
        alt.Tooltip("peer_share:Q", title="missed by peers on similar work", format=".0%"),
        alt.Tooltip("excess:Q", title="more than peers", format="+.1%"),
        alt.Tooltip("lo:Q", title="from", format="+.1%"),
        alt.Tooltip("hi:Q", title="to", format="+.1%"),
    ]


def excess_dots(base: alt.Chart, every: pl.DataFrame) -> list[alt.Chart]:
    """Misses beyond peers with their 95% intervals, marked where clear; `base` holds the rows and their y axis.

    The axis is that of `every` row: one picture for each choice could not be compared with the one before.
    """
    ends = every.select(pl.min_horizontal("lo", "excess", 0).min(), pl.max_horizontal("hi", "excess", 0).max()).row(0)
    low, high = (0.0 if end is None else float(end) for end in ends)
    scale = alt.Scale(domain=[math.floor(10 * low) / 10, math.ceil(10 * high) / 10], nice=False)
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        x=alt.X("excess:Q", title="more than peers", axis=EXCESS_AXIS, scale=scale),
        color=alt.Color("comparison:N", scale=PEER_COLOURS, legend=None, **COMPARISON),
        shape=alt.Shape("comparison:N", scale=PEER_MARKS, legend=None, **COMPARISON),
        tooltip=technique_tooltip(),
    )
    return [vertical_line(0, EXCESS_AXIS), interval_rule(base, "lo", "hi", EXCESS_AXIS), dots]


@with_built_in_look
def technique_board(technique: Source, first: str | None = None) -> alt.HConcatChart:
    """Technicians across and steps down, coloured where the share missed clearly differs from peers; next to it, the
    selected technician's steps with their intervals.

    Parameters
    ----------
    technique
        `schemas.outputs.Technique`; an optional column `title` gives the step in words.
    first
        The technician selected at the start.
    """
    every = _label_comparisons(table_from_source(technique, "technique"))
    rows = select_technicians(every)
    selection = click_selection(
        "technician", rows.get_column("technician").unique().sort().to_list(), first, "technician"
    )
    data = alt.Chart(rows, width=DETAIL_WIDTH, height=rows_height(rows.get_column("label")))
    own = data.transform_filter(selection).encode(y=alt.Y("label:N", title="step", axis={**UNTITLED, "labels": False}))
    detail = layer_charts(*excess_dots(own, rows), selected_name(selection, data, "technician", "technician"))
    more = rows.filter(pl.col("comparison") == MORE).sort("technician", "title").select("technician", "title")
    listing = "; ".join(f"{person}: {step}" for person, step in more.head(20).iter_rows())
    which = "those unlike their peers in the most steps, then those with the most bleeds"
    note = truncation_note(rows.n_unique("technician"), every.n_unique("technician"), which)
    return (
        alt.hconcat(_cell_marks(rows, selection), detail, spacing=14)
        .resolve_scale(color="independent", shape="independent")
        .properties(
            **({"title": f"Technicians: {note}"} if note else {}),
            description=f"Steps missed more often than peers on similar work, by technician: {listing or 'none'}",
        )
    )


def _cell_marks(rows: pl.DataFrame, selection: alt.Parameter) -> alt.Chart:
    colours = alt.Scale(domain=COMPARISONS, range=[HIGH, LOW, "#8884"])
    marks = alt.Scale(domain=COMPARISONS, range=["triangle-up", "triangle-down", "square"])
    chart = alt.Chart(rows, width=alt.Step(CELL_PX), height=rows_height(rows.get_column("label"))).mark_point(
        size=180, filled=True, opacity=1
    )
    return chart.encode(
        x=alt.X("technician:N", title="technician", axis=TECHNICIAN_AXIS),
        y=alt.Y("label:N", title="step", axis=UNTITLED),
        color=alt.Color("comparison:N", scale=colours, legend=UNTITLED, **COMPARISON),
        shape=alt.Shape("comparison:N", scale=marks, legend=UNTITLED, **COMPARISON),
        stroke=conditional(alt.StrokeValue, selection, PLAIN, None),
        tooltip=technique_tooltip(),
    ).add_params(selection)


def _label_comparisons(technique: pl.DataFrame) -> pl.DataFrame:
    estimated = technique.filter(pl.col("excess").is_not_null())
    return estimated.select(
        "technician", "title", "recorded", "missed", "share", "peer_share", "excess", "lo", "hi",
        comparison=peer_comparison_words(), label=wrap_column("title"),
    )  # fmt: skip


@with_built_in_look
def coaching_changes(
    coaching: Source, axis_title: str = COACHING_AXIS, what: str = "share missed after coaching"
) -> alt.LayerChart | alt.FacetChart:
    """What each coaching session changed compared with peers, with 95% intervals; at most 60, the clearest changes first.

    Parameters
    ----------
    coaching
        `schemas.outputs.CoachingEffect`; an optional column `label` gives technician and step in words.
    axis_title, what
        What has changed, for the axis and the description.
    """
    axis = {**PERCENT, "title": axis_title}
    table = table_from_source(coaching, "coaching")
    labelled = table if "label" in table.columns else coaching_rows(table)
    estimated = labelled.filter(pl.col("change").is_not_null()).select(
        "missed_before", "missed_after", "change", "lo", "hi", "p_value", event="label", label=wrap_column("label")
    )
    rows = estimated if estimated.height <= MAX_GROUPS else estimated.sort("p_value").head(MAX_GROUPS)
    height = rows_height(rows.get_column("label")) + 24
    base = alt.Chart(rows, width=WIDTH, height=height).encode(y=alt.Y("label:N", title="change", axis=UNTITLED))
    dots = base.mark_point(filled=True, size=80, color=PLAIN, opacity=1).encode(
        x=alt.X("change:Q", title="change against peers", axis=axis),
        tooltip=[
            alt.Tooltip("event:N", title="change"),
            alt.Tooltip("missed_before:Q", title="before", format=".0%"),
            alt.Tooltip("missed_after:Q", title="after", format=".0%"),
            alt.Tooltip("lo:Q", title="from", format="+.0%"),
            alt.Tooltip("hi:Q", title="to", format="+.0%"),
        ],
    )
    words = "; ".join(f"{event} {change:+.0%}" for event, change in rows.select("event", "change").iter_rows())
    note = truncation_note(rows.height, estimated.height, "the clearest changes")
    return layer_charts(vertical_line(0, axis), interval_rule(base, "lo", "hi", axis), dots).properties(
        **({"title": f"Changes: {note}"} if note else {}),
        description=f"Change in {what}, against peers: {words}",
    )


@with_built_in_look
def recorded_board(recorded: pl.DataFrame) -> alt.Chart:
    """How completely each technician records each field: the larger the circle, the more complete. Shows at most 60
    technicians, those with the most bleeds.

    Parameters
    ----------
    recorded
        Columns field (in words), technician, share (fraction), bleeds.
    """
    columns = ("field", "technician", "share", "bleeds")
    recorded = with_columns(recorded, columns, "the share recorded of each field by technician")
    people = recorded.group_by("technician").agg(pl.col("bleeds").max())
    largest = people.sort("bleeds", "technician", descending=[True, False]).head(MAX_GROUPS)
    rows = recorded.filter(pl.col("technician").is_in(largest.get_column("technician").to_list()))
    least = rows.sort("share").head(5).select("field", "technician", "share")
    words = "; ".join(f"{field} of {person} {share:.0%}" for field, person, share in least.iter_rows())
    note = truncation_note(largest.height, people.height, "those with the most bleeds")
    size = alt.Scale(domain=[0, 1], range=[0, 200])
    return (
        alt.Chart(rows)
        .mark_circle(color=PLAIN, opacity=0.9)
        .encode(
            x=alt.X("technician:N", title="technician", axis=TECHNICIAN_AXIS),
            y=alt.Y("field:N", title="field", axis=UNTITLED, sort=None),
            size=alt.Size("share:Q", title="recorded", scale=size, legend=alt.Legend(format=".0%", title=None)),
            tooltip=[
                alt.Tooltip("technician:N", title="technician"),
                alt.Tooltip("field:N", title="field"),
                alt.Tooltip("share:Q", title="recorded", format=".0%"),
                alt.Tooltip("bleeds:Q", title="bleeds", format=",d"),
            ],
        )
        .properties(
            width=alt.Step(CELL_PX),
            height=alt.Step(18),
            **({"title": f"Technicians: {note}"} if note else {}),
            description=f"Share of bleeds with each field recorded; least: {words}",
        )
    )
