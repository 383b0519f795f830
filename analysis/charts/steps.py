"""Steps of the standard: what each costs when missed, how often it is missed, where its tolerance lies."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.charts.click_selection import click_selection, selected_name
from analysis.charts.layering import conditional, layer_charts
from analysis.charts.room import most_telling_people
from analysis.charts.theme import (
    CHANCE,
    DETAIL_WIDTH,
    HIGH,
    LOW,
    PERCENT,
    PLAIN,
    ROW_PX,
    SUSPECT,
    VERDICT_COLOURS,
    VERDICT_LABELS,
    VERDICT_MARKS,
    WIDTH,
    folded,
    rows_px,
)

PREVENTED_AXIS = ["comebacks prevented per 100 bleeds", "(tick: unadjusted difference)"]
MORE, FEWER, ALIKE = "misses more than peers", "misses fewer than peers", "no clear difference"
PEER_COLOURS = alt.Scale(domain=[MORE, FEWER, ALIKE], range=[HIGH, LOW, PLAIN])
PEER_MARKS = alt.Scale(domain=[MORE, FEWER, ALIKE], range=["triangle-up", "triangle-down", "circle"])


def step_bars(steps: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Comebacks per 100 bleeds that each step would spare, with 95% intervals, costliest first; the raw difference, which
    blames steps for the work they are skipped in, as a small tick beside.

    Parameters
    ----------
    steps
        `schemas.outputs.Steps`.
    """
    rows = _prevented(steps)
    return _bars(rows).properties(description=_description(rows))


def against_peers() -> pl.Expr:
    """How a technician's misses of a step compare with peers, in words."""
    more = pl.when(pl.col("clear") & (pl.col("excess") > 0)).then(pl.lit(MORE))
    return more.when(pl.col("clear") & (pl.col("excess") < 0)).then(pl.lit(FEWER)).otherwise(pl.lit(ALIKE))


def step_board(steps: pl.DataFrame, technique: pl.DataFrame) -> alt.HConcatChart:
    """`step_bars` with the technicians beside it, by name: how far each misses the chosen step beyond peers.

    Parameters
    ----------
    steps
        `schemas.outputs.Steps`.
    technique
        `schemas.outputs.Technique` with a column `title`, the step in words.
    """
    rows = _prevented(steps)
    titles = rows.sort("rank").get_column("title").to_list()
    chosen = click_selection("title", titles, None, "step")
    known = technique.filter(pl.col("excess").is_not_null(), pl.col("title").is_in(titles))
    people = most_telling_people(known).select(
        "technician", "title", "recorded", "missed", "excess", "lo", "hi",
        told=against_peers(),
    )  # fmt: skip
    data = alt.Chart(people, width=DETAIL_WIDTH, height=ROW_PX * max(people.get_column("technician").n_unique(), 1))
    base = data.transform_filter(chosen).encode(y=alt.Y("technician:N", title=None))
    zero = alt.Chart(pl.DataFrame({"x": [0]})).mark_rule(color=CHANCE).encode(x=alt.X("x:Q"))
    axis = alt.X("lo:Q", axis=PERCENT, title="missed more than peers (percentage points)")
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(x=axis, x2=alt.X2("hi:Q"))
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        x=alt.X("excess:Q"),
        color=alt.Color("told:N", scale=PEER_COLOURS, legend=None),
        shape=alt.Shape("told:N", scale=PEER_MARKS, legend=None),
        tooltip=[
            alt.Tooltip("technician:N", title="technician"), alt.Tooltip("told:N", title="against peers"),
            alt.Tooltip("missed:Q", title="missed"), alt.Tooltip("recorded:Q", title="recorded"),
        ],
    )  # fmt: skip
    right = layer_charts(zero, bars, dots, selected_name(chosen, data, "title"))
    description = f"{_description(rows)}. On the right, for the step you choose: how much more than peers each technician misses it"
    return (
        alt.hconcat(_bars(rows, chosen), right, spacing=24)
        .resolve_scale(color="independent", shape="independent")
        .properties(description=description)
    )


def _prevented(steps: pl.DataFrame) -> pl.DataFrame:
    rows = steps.filter(pl.col("preventable_per_100").is_not_null()).select(
        "title", "preventable_per_100", "lo", "hi", "missed", "recorded", "verdict", "rank", "crude_difference"
    )
    folds = pl.col("title").map_elements(folded, return_dtype=pl.String)
    return rows.with_columns(told=pl.col("verdict").replace_strict(VERDICT_LABELS), label=folds)


def _bars(rows: pl.DataFrame, selection: alt.Parameter | None = None) -> alt.LayerChart | alt.FacetChart:
    base = alt.Chart(rows, width=WIDTH, height=rows_px(rows.get_column("label").to_list())).encode(
        y=alt.Y("label:N", sort=alt.EncodingSortField("rank"), title=None)
    )
    zero = alt.Chart(pl.DataFrame({"x": [0]})).mark_rule(color=CHANCE).encode(x=alt.X("x:Q"))
    wide = alt.StrokeWidthValue(2) if selection is None else conditional(alt.StrokeWidthValue, selection, 5, 2)
    bars = base.mark_rule(color=CHANCE).encode(
        x=alt.X("lo:Q", title=PREVENTED_AXIS), x2=alt.X2("hi:Q"), strokeWidth=wide
    )
    raw = base.mark_tick(color=CHANCE, thickness=2, size=10).encode(x=alt.X("crude_difference:Q"))
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        x=alt.X("preventable_per_100:Q"),
        color=alt.Color("told:N", scale=VERDICT_COLOURS),
        shape=alt.Shape("told:N", scale=VERDICT_MARKS),
        tooltip=[
            alt.Tooltip("title:N", title="step"),
            alt.Tooltip("preventable_per_100:Q", title="prevented per 100", format=".2f"),
            alt.Tooltip("lo:Q", title="from", format=".2f"),
            alt.Tooltip("hi:Q", title="to", format=".2f"),
            alt.Tooltip("crude_difference:Q", title="unadjusted difference per 100", format=".2f"),
            alt.Tooltip("missed:Q", title="missed"),
            alt.Tooltip("recorded:Q", title="recorded"),
        ],
    )
    return layer_charts(zero, bars, raw, dots if selection is None else dots.add_params(selection))


def _description(rows: pl.DataFrame) -> str:
    costly = rows.sort("rank").head(8).iter_rows(named=True)
    words = "; ".join(f"{row['title']} {row['preventable_per_100']:.2f}, {row['told']}" for row in costly)
    return f"Comebacks prevented per 100 bleeds by step: {words}"


def missed_bars(steps: pl.DataFrame) -> alt.Chart:
    """How often each step was missed, of the bleeds where it was recorded.

    Parameters
    ----------
    steps
        `schemas.outputs.Steps`.
    """
    folds = pl.col("title").map_elements(folded, return_dtype=pl.String)
    rows = steps.filter(pl.col("share_missed").is_not_null()).select(
        "title", "share_missed", "missed", "recorded", label=folds
    )
    chart = alt.Chart(rows, width=WIDTH, height=rows_px(rows.get_column("label").to_list())).mark_bar(
        color=PLAIN, height=9
    )
    words = "; ".join(f"{t} {s:.0%}" for t, s in rows.select("title", "share_missed").head(20).iter_rows())
    return chart.encode(
        y=alt.Y("label:N", sort="-x", title=None),
        x=alt.X("share_missed:Q", axis=PERCENT, title="share missed, where recorded"),
        tooltip=[
            alt.Tooltip("title:N", title="step"),
            alt.Tooltip("missed:Q", title="missed"),
            alt.Tooltip("recorded:Q", title="recorded"),
        ],
    ).properties(description=f"Share missed by step: {words}")


def what_if_bars(scenarios: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Comebacks per 100 bleeds that each scenario would spare, with 95% intervals, in the order given.

    Parameters
    ----------
    scenarios
        `schemas.outputs.WhatIf`.
    """
    folds = pl.col("scenario").map_elements(folded, return_dtype=pl.String)
    rows = scenarios.select("scenario", "preventable_per_100", "lo", "hi", "comebacks_per_year", label=folds).head(12)
    base = alt.Chart(rows, width=WIDTH, height=rows_px(rows.get_column("label").to_list())).encode(
        y=alt.Y("label:N", sort=None, title=None)
    )
    zero = alt.Chart(pl.DataFrame({"x": [0]})).mark_rule(color=CHANCE).encode(x=alt.X("x:Q"))
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(
        x=alt.X("lo:Q", title=PREVENTED_AXIS[0]), x2=alt.X2("hi:Q")
    )
    dots = base.mark_point(filled=True, size=80, color=PLAIN, opacity=1).encode(
        x=alt.X("preventable_per_100:Q"),
        tooltip=[
            alt.Tooltip("scenario:N", title="what if"),
            alt.Tooltip("comebacks_per_year:Q", title="comebacks prevented a year", format=".1f"),
        ],
    )
    words = "; ".join(f"{s} {p:.2f}" for s, p in rows.select("scenario", "preventable_per_100").iter_rows())
    return layer_charts(zero, bars, dots).properties(description=f"Comebacks prevented per 100 bleeds: {words}")


def tolerance_curve(tolerance: pl.DataFrame, field_label: str) -> alt.LayerChart | alt.FacetChart:
    """The adjusted risk along one reading with its 95% band, the standard's limits marked, bleeds told on hovering.

    Parameters
    ----------
    tolerance
        `schemas.outputs.Tolerance` of one step.
    field_label
        The reading in the trade's words, with its unit.
    """
    base = alt.Chart(tolerance, width=290, height=170).encode(
        x=alt.X("reading:Q", title=field_label, scale=alt.Scale(zero=False, nice=False), axis=_ticks(tolerance))
    )
    band = base.mark_area(opacity=0.3, color=CHANCE).encode(
        y=alt.Y("lo:Q", axis=PERCENT, title="came back"), y2=alt.Y2("hi:Q")
    )
    line = base.mark_line(color=PLAIN, point=alt.OverlayMarkDef(color=PLAIN)).encode(
        y=alt.Y("risk:Q"),
        tooltip=[
            alt.Tooltip("reading:Q", title=field_label),
            alt.Tooltip("risk:Q", format=".1%", title="came back"),
            alt.Tooltip("bleeds:Q", title="bleeds near it"),
        ],
    )
    limits = [
        alt.Chart(tolerance.filter(pl.col(name).is_not_null()).head(1))
        .mark_rule(color=SUSPECT, strokeDash=[4, 3])
        .encode(x=alt.X(f"{name}:Q"))
        for name in ("tolerance_lo", "tolerance_hi")
        if tolerance.get_column(name).count()
    ]
    return layer_charts(band, line, *limits).properties(
        description=f"Comeback risk by {field_label}, from {min(tolerance['reading'])} to {max(tolerance['reading'])}"
    )


def _ticks(tolerance: pl.DataFrame) -> dict[str, Any]:
    """A reading that is counted has no halves."""
    whole = tolerance.select((pl.col("reading") == pl.col("reading").round()).all()).item()
    span = tolerance.select(pl.col("reading").max() - pl.col("reading").min()).item() or 1
    return {"tickCount": min(int(span), 6), "format": "d"} if whole else {"tickCount": 6}
