"""Steps of the procedure: what each leads to when missed, how often it is missed, and risk along its reading."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.charts.chart_tables import Source, require_one_group, table_from_source
from analysis.charts.own_look import with_built_in_look
from analysis.charts.people import excess_dots, peer_comparison_words, select_technicians
from analysis.charts.theme import (
    CHANCE,
    DETAIL_WIDTH,
    PERCENT,
    PLAIN,
    ROW_PX,
    SUSPECT,
    UNTITLED,
    VERDICT_COLOURS,
    VERDICT_LABELS,
    VERDICT_MARKS,
    WIDTH,
    click_selection,
    conditional,
    interval_rule,
    layer_charts,
    reading_words,
    rows_height,
    selected_name,
    vertical_line,
    wrap_column,
)
from analysis.errors import UserError
from analysis.report import Report

PREVENTED = "comebacks prevented per 100 bleeds"
STEP_AXIS = {"title": f"{PREVENTED}\n(tick: unadjusted estimate)", "format": ".2~f"}
SCENARIO_AXIS = {"title": PREVENTED, "format": ".2~f"}
MAX_SCENARIOS = 12


@with_built_in_look
def step_bars(steps: Source) -> alt.LayerChart | alt.FacetChart:
    """Comebacks that would be prevented, per 100 bleeds, if each step were never missed; 95% intervals, costliest first.

    A small tick marks the unadjusted estimate, which is not corrected for the kind of work.

    Parameters
    ----------
    steps
        `schemas.outputs.Steps`.
    """
    rows = _prevented_rows(table_from_source(steps, "steps"))
    return _bars_with_intervals(rows).properties(description=_step_description(rows))


@with_built_in_look
def step_board(steps: Source, technique: pl.DataFrame | None = None) -> alt.HConcatChart:
    """`step_bars` next to the technicians, by name: how much more often than peers each misses the selected step.

    Parameters
    ----------
    steps
        `schemas.outputs.Steps`.
    technique
        `schemas.outputs.Technique`; not needed with a report.

    Raises
    ------
    UserError
        A table of steps was given without a table of technique.
    """
    table = table_from_source(steps, "steps")
    rows = _prevented_rows(table)
    technique = _add_step_titles(steps if technique is None else technique, table)
    titles = rows.sort("rank").get_column("title").to_list()
    selection = click_selection("title", titles, None, "step")
    estimated = technique.filter(pl.col("excess").is_not_null(), pl.col("title").is_in(titles))
    people = select_technicians(estimated).select(
        "technician", "title", "recorded", "missed", "share", "peer_share", "excess", "lo", "hi",
        comparison=peer_comparison_words(),
    )  # fmt: skip
    height = ROW_PX * max(people.get_column("technician").n_unique(), 1)
    data = alt.Chart(people, width=DETAIL_WIDTH, height=height)
    base = data.transform_filter(selection).encode(y=alt.Y("technician:N", title="technician", axis=UNTITLED))
    right = layer_charts(*excess_dots(base, people), selected_name(selection, data, "title", "step"))
    detail = "On the right, for the step you choose: how much more than peers each technician misses it"
    return (
        alt.hconcat(_bars_with_intervals(rows, selection), right, spacing=24)
        .resolve_scale(color="independent", shape="independent")
        .properties(description=f"{_step_description(rows)}. {detail}")
    )


def _add_step_titles(technique: Source, steps: pl.DataFrame) -> pl.DataFrame:
    """Misses by technician, each step called as in `steps`."""
    if isinstance(technique, Report):
        technique = technique.technique
    if "technician" not in technique.columns:
        raise UserError("step_board", "no misses by technician were given", "a report, or both tables", "give either")
    titles = dict(steps.select("step", "title").iter_rows())
    return technique.with_columns(title=pl.col("step").replace(titles))


def _prevented_rows(steps: pl.DataFrame) -> pl.DataFrame:
    rows = steps.filter(pl.col("preventable_per_100").is_not_null()).select(
        "title", "preventable_per_100", "lo", "hi", "missed", "recorded", "verdict", "rank", "crude_difference"
    )
    labels = pl.col("verdict").replace_strict(VERDICT_LABELS)
    return rows.with_columns(verdict_label=labels, label=wrap_column("title"))


def _bars_with_intervals(rows: pl.DataFrame, selection: alt.Parameter | None = None) -> alt.LayerChart | alt.FacetChart:
    base = alt.Chart(rows, width=WIDTH, height=rows_height(rows.get_column("label"))).encode(
        y=alt.Y("label:N", title="step", sort=alt.EncodingSortField("rank"), axis=UNTITLED)
    )
    width = None if selection is None else conditional(alt.StrokeWidthValue, selection, 5, 2)
    crude = base.mark_tick(color=CHANCE, thickness=2, size=10, aria=False).encode(
        x=alt.X("crude_difference:Q", title="unadjusted estimate per 100", axis=STEP_AXIS)
    )
    verdict: dict[str, Any] = {"title": "verdict", "legend": UNTITLED}
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        x=alt.X("preventable_per_100:Q", title="prevented per 100", axis=STEP_AXIS),
        color=alt.Color("verdict_label:N", scale=VERDICT_COLOURS, **verdict),
        shape=alt.Shape("verdict_label:N", scale=VERDICT_MARKS, **verdict),
        tooltip=[
            alt.Tooltip("title:N", title="step"),
            alt.Tooltip("preventable_per_100:Q", title="prevented per 100", format=".2f"),
            alt.Tooltip("lo:Q", title="from", format=".2f"),
            alt.Tooltip("hi:Q", title="to", format=".2f"),
            alt.Tooltip("crude_difference:Q", title="unadjusted estimate per 100", format=".2f"),
            alt.Tooltip("missed:Q", title="missed", format=",d"),
            alt.Tooltip("recorded:Q", title="recorded", format=",d"),
        ],
    )
    interval = interval_rule(base, "lo", "hi", STEP_AXIS, width)
    return layer_charts(
        vertical_line(0, STEP_AXIS), interval, crude, dots if selection is None else dots.add_params(selection)
    )


def _step_description(rows: pl.DataFrame) -> str:
    costly = rows.sort("rank").head(8).iter_rows(named=True)
    words = "; ".join(f"{row['title']} {row['preventable_per_100']:.2f}, {row['verdict_label']}" for row in costly)
    return f"Comebacks prevented per 100 bleeds by step: {words}"


@with_built_in_look
def missed_bars(steps: Source) -> alt.Chart:
    """How often each step was missed, among bleeds with the step recorded.

    Parameters
    ----------
    steps
        `schemas.outputs.Steps`.
    """
    rows = (
        table_from_source(steps, "steps")
        .filter(pl.col("share_missed").is_not_null())
        .select("title", "share_missed", "missed", "recorded", label=wrap_column("title"))
    )
    height = rows_height(rows.get_column("label"))
    words = "; ".join(f"{t} {s:.0%}" for t, s in rows.select("title", "share_missed").head(20).iter_rows())
    chart = alt.Chart(rows, width=WIDTH, height=height).mark_bar(color=PLAIN, height=9)
    return chart.encode(
        y=alt.Y("label:N", title="step", sort="-x", axis=UNTITLED),
        x=alt.X("share_missed:Q", title="share missed", axis={**PERCENT, "title": "share missed, where recorded"}),
        tooltip=[
            alt.Tooltip("title:N", title="step"),
            alt.Tooltip("missed:Q", title="missed", format=",d"),
            alt.Tooltip("recorded:Q", title="recorded", format=",d"),
        ],
    ).properties(description=f"Share missed by step: {words}")


@with_built_in_look
def what_if_bars(scenarios: Source) -> alt.LayerChart | alt.FacetChart:
    """Comebacks per 100 bleeds that each scenario would prevent, with 95% intervals, in table order.

    Parameters
    ----------
    scenarios
        `schemas.outputs.WhatIf`; the first 12 are drawn.
    """
    rows = (
        table_from_source(scenarios, "what_if")
        .head(MAX_SCENARIOS)
        .select("scenario", "preventable_per_100", "lo", "hi", "comebacks_per_year", label=wrap_column("scenario"))
    )
    base = alt.Chart(rows, width=WIDTH, height=rows_height(rows.get_column("label"))).encode(
        y=alt.Y("label:N", title="what if", sort=None, axis=UNTITLED)
    )
    dots = base.mark_point(filled=True, size=80, color=PLAIN, opacity=1).encode(
        x=alt.X("preventable_per_100:Q", title="prevented per 100", axis=SCENARIO_AXIS),
        tooltip=[
            alt.Tooltip("scenario:N", title="what if"),
            alt.Tooltip("preventable_per_100:Q", title="prevented per 100", format=".2f"),
            alt.Tooltip("lo:Q", title="from", format=".2f"),
            alt.Tooltip("hi:Q", title="to", format=".2f"),
            alt.Tooltip("comebacks_per_year:Q", title="comebacks prevented a year", format=".1f"),
        ],
    )
    words = "; ".join(f"{s} {p:.2f}" for s, p in rows.select("scenario", "preventable_per_100").iter_rows())
    interval = interval_rule(base, "lo", "hi", SCENARIO_AXIS)
    return layer_charts(vertical_line(0, SCENARIO_AXIS), interval, dots).properties(
        description=f"Comebacks prevented per 100 bleeds: {words}"
    )


@with_built_in_look
def tolerance_curve(tolerance: Source, field_label: str = "") -> alt.LayerChart | alt.FacetChart:
    """The adjusted risk at each value of a reading, with its 95% band and the procedure's limits.

    Parameters
    ----------
    tolerance
        `schemas.outputs.Tolerance` of one step.
    field_label
        The reading in the trade's words, with its unit; by default the field name.
    """
    tolerance = table_from_source(tolerance, "tolerance")
    if "step" in tolerance.columns:
        tolerance = require_one_group(tolerance, ("step", "field"), "tolerance")
    field_label = field_label or tolerance.get_column("field").head(1).str.replace_all("_", " ").to_list()[0]
    readings = {**_tick_options(tolerance), "title": field_label}
    if "pooled" not in tolerance.columns:
        tolerance = tolerance.with_columns(pooled=pl.lit(None, pl.String))
    tolerance = tolerance.with_columns(value=reading_words())
    risk = {**PERCENT, "title": "came back"}
    base = alt.Chart(tolerance, width=290, height=170).encode(
        x=alt.X("reading:Q", title=field_label, scale=alt.Scale(zero=False, nice=False), axis=readings)
    )
    band = base.mark_area(opacity=0.3, color=CHANCE, aria=False).encode(
        y=alt.Y("lo:Q", title="from", axis=risk), y2=alt.Y2("hi:Q", title="to")
    )
    line = base.mark_line(color=PLAIN, point=alt.OverlayMarkDef(color=PLAIN)).encode(
        y=alt.Y("risk:Q", title="came back", axis=risk),
        tooltip=[
            alt.Tooltip("value:N", title=field_label),
            alt.Tooltip("risk:Q", title="came back", format=".1%"),
            alt.Tooltip("lo:Q", title="from", format=".1%"),
            alt.Tooltip("hi:Q", title="to", format=".1%"),
            alt.Tooltip("bleeds:Q", title="bleeds at about this value", format=",.0f"),
        ],
    )
    limits = [
        alt.Chart(tolerance.filter(pl.col(name).is_not_null()).head(1))
        .mark_rule(color=SUSPECT, strokeDash=[4, 3])
        .encode(x=alt.X(f"{name}:Q", title=title, axis=readings))
        for name, title in (("tolerance_lo", "lower limit"), ("tolerance_hi", "upper limit"))
        if tolerance.get_column(name).count()
    ]
    pooled = base.transform_filter("isValid(datum.pooled)").mark_text(dy=-10, aria=False)
    names = [pooled.encode(y=alt.Y("risk:Q", title="came back", axis=risk), text=alt.Text("pooled:N"))]
    return layer_charts(band, line, *(names if tolerance.get_column("pooled").count() else ()), *limits).properties(
        description=f"Comeback risk by {field_label}, from {min(tolerance['reading'])} to {max(tolerance['reading'])}"
    )


def _tick_options(tolerance: pl.DataFrame) -> dict[str, Any]:
    """Ticks of a reading; one that is counted in whole numbers has no fractions."""
    whole = tolerance.select((pl.col("reading") == pl.col("reading").round()).all()).item()
    span = tolerance.select(pl.col("reading").max() - pl.col("reading").min()).item() or 1
    return (
        {"tickCount": min(int(span), 6), "format": "d"} if whole else {"tickCount": 6, "format": ".2~f"}
    )  # ~g gives 1e+1
