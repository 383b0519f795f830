"""The risk of a comeback by the reading that decides a step, for the trainer's board."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.boards.selection import SMALL, inline_data, line_break_expression, words_above
from analysis.boards.trainer_choices import CHOSEN, SHOWN_STEP, LinkedChoices
from analysis.charts.theme import CHANCE, PLAIN, SUSPECT, layer_charts, reading_words, x_at, y_at
from analysis.report import Report
from schemas import reading_label

CURVE_PX, CURVE_HEIGHT, CURVE_LETTERS = 440, 84, 76
HAS_CURVE = f"(!({CHOSEN}) || indexof(curve_names, {SHOWN_STEP}) >= 0 ? 1 : 0)"
"""Opacity of the axes: a step without a curve has none."""


def step_curves(report: Report, linked: LinkedChoices) -> list[Any]:
    """The adjusted risk by the chosen step's reading, its limits, and the bleeds at each value; nothing without curves."""
    labels = {name: reading_label(name) for name in report.tolerance.get_column("field").unique()}
    curves = report.tolerance.with_columns(step=pl.col("step").replace(linked.titles)).filter(
        pl.col("step").is_in(linked.curves)
    )
    if curves.is_empty():
        return []
    rows = curves.select(
        "step", "reading", "pooled", "bleeds", "risk", "lo", "hi", "tolerance_lo", "tolerance_hi", field=pl.col("field").replace(labels),
        value=reading_words(),
    )  # fmt: skip
    base = alt.Chart(inline_data(rows.to_dicts())).transform_filter(linked.chosen_curve_filter)
    upper = layer_charts(*_curve_layers(base), _curve_title(base), _no_curve_note(linked))
    title = alt.TitleParams("Comeback risk by reading (dashed: its limit)", offset=22)
    bars = base.mark_bar(color=CHANCE, width=6).encode(
        x=_reading_axis(), y=alt.Y("bleeds:Q", title=None, axis=_curve_axis(tickCount=2)), tooltip=_curve_tooltips()
    )
    charts = (
        upper.properties(width=CURVE_PX, height=CURVE_HEIGHT, title=title),
        bars.properties(width=CURVE_PX, height=30),
    )
    return [alt.vconcat(*charts, spacing=4, resolve={"scale": {"x": "shared"}})]


def _curve_axis(**more: Any) -> alt.Axis:
    opacity: Any = alt.expr(HAS_CURVE)
    return alt.Axis(
        labelExpr=f"{HAS_CURVE} ? datum.label : ''",
        tickOpacity=opacity,
        domainOpacity=opacity,
        gridOpacity=opacity,
        titleOpacity=opacity,
        **SMALL,
        **more,
    )


def _reading_axis() -> alt.X:
    return alt.X(
        "reading:Q", title=None, scale=alt.Scale(zero=False, nice=False), axis=_curve_axis(tickCount=6, format="~f")
    )


def _curve_tooltips() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("field:N", title="reading"), alt.Tooltip("value:N"),
        alt.Tooltip("risk:Q", format=".1%", title="came back, adjusted"), alt.Tooltip("lo:Q", format=".1%", title="from"),
        alt.Tooltip("hi:Q", format=".1%", title="to"), alt.Tooltip("bleeds:Q", title="bleeds at about this value"),
    ]  # fmt: skip


def _curve_layers(base: alt.Chart) -> list[Any]:
    x, y = _reading_axis(), alt.Y("lo:Q", axis=_curve_axis(format=".0%", tickCount=4), title=None)
    limits = [
        base.transform_filter(f"isValid(datum.{name})")
        .transform_aggregate(limit=f"min({name})")
        .mark_rule(aria=False, color=SUSPECT, strokeDash=[4, 3], strokeWidth=1.5)
        .encode(x=alt.X("limit:Q"))
        for name in ("tolerance_lo", "tolerance_hi")
    ]
    line = base.mark_line(aria=False, color=PLAIN, point=alt.OverlayMarkDef(color=PLAIN, size=25))
    return [
        base.mark_area(aria=False, color=CHANCE, opacity=0.3).encode(x=x, y=y, y2=alt.Y2("hi:Q")),
        line.encode(x=x, y=alt.Y("risk:Q"), tooltip=_curve_tooltips()),
        base.transform_filter("isValid(datum.pooled)")
        .mark_text(aria=False, dy=-8, fontSize=11)
        .encode(x=x, y=alt.Y("risk:Q"), text=alt.Text("pooled:N")),
        *limits,
    ]


def _curve_title(base: alt.Chart) -> Any:
    """The step and its reading above the curve."""
    return words_above(
        base.transform_aggregate(n="count()", groupby=["step", "field"]),
        "datum.step + ': ' + datum.field",
        CURVE_LETTERS,
    )


def _no_curve_note(linked: LinkedChoices) -> Any:
    """One line where the chosen step has no curve."""
    without = [{"step": step} for step in linked.steps if step not in linked.curves]
    return (
        alt.Chart(inline_data(without))
        .transform_filter(f"({CHOSEN}) && datum.step === {SHOWN_STEP}")
        .transform_calculate(
            lines=line_break_expression(
                "datum.step + ': this step is either done or not, so there is no curve to draw.'", CURVE_LETTERS
            )
        )
        .mark_text(aria=False, align="left", fontSize=11)
        .encode(text=alt.Text("lines:N"), x=x_at(2), y=y_at(10))
    )
