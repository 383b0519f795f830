"""How good the risks and intervals are, for the analyst's board: over time, calibration, simple rules, validation."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.boards.selection import PERCENT, SMALL, inline_data, text_chart
from analysis.charts.chart_tables import auc_rows, decile_rows, quarter_rows
from analysis.charts.theme import CHANCE, HIGH, PLAIN, conditional, layer_charts
from analysis.report import Report

MODEL_PX, TIME_PX, HEIGHT, ROW_PX, LABEL_PX = 220, 280, 120, 15, 250
MAX_MEASURES = 10


def model_charts(report: Report) -> list[Any]:
    """Discrimination against simple rules, observed over predicted by quarter, and calibration by decile."""
    if report.model.is_empty():
        words = "No risk model in this run: it needs more comebacks, and later bleeds to be tested on."
        return [text_chart(words, 620)]
    return [_discrimination_chart(report), _calibration_by_quarter_chart(report), _calibration_chart(report)]


def _estimate_tips(first: str, labels: tuple[tuple[str, str], ...], form: str) -> list[alt.Tooltip]:
    return [alt.Tooltip(first), *(alt.Tooltip(f"{name}:Q", format=form, title=label) for name, label in labels)]


def _discrimination_chart(report: Report) -> Any:
    rows = auc_rows(report.model).with_row_index("place").with_columns(own=pl.col("place") == 0).to_dicts()
    axis = alt.Axis(
        labelLimit=LABEL_PX, labelPadding=4, minExtent=LABEL_PX, maxExtent=LABEL_PX, ticks=False, domain=False, **SMALL
    )
    base = alt.Chart(inline_data(rows)).encode(y=alt.Y("rule:N", sort=None, title=None, axis=axis))
    scale = alt.Scale(domain=[min([0.45, *(row["value"] - 0.02 for row in rows)]), 1], nice=False)
    x = alt.X("value:Q", scale=scale, axis=alt.Axis(tickCount=4, **SMALL), title="AUC (0.5 is a coin toss)")
    rules = (
        base.transform_filter("datum.own")
        .mark_rule(aria=False, color=PLAIN)
        .encode(x=alt.X("lo:Q", scale=scale), x2=alt.X2("hi:Q"))
    )
    labels = (("value", "AUC"), ("lo", "from"), ("hi", "to"))
    dots = base.mark_point(filled=True, size=55, opacity=1).encode(
        x=x,
        color=conditional(alt.ColorValue, "datum.own", PLAIN, CHANCE),
        shape=conditional(alt.ShapeValue, "datum.own", "circle", "diamond"),
        tooltip=_estimate_tips("rule:N", labels, ".3f"),
    )
    words = base.mark_text(aria=False, align="left", dx=9, dy=-6, fontSize=11).encode(
        x=x, text=alt.Text("value:Q", format=".2f")
    )
    return layer_charts(
        rules,
        dots,
        words,
        width=MODEL_PX,
        height=22 * max(len(rows), 1),
        title="Discrimination, against other models",
    )


def _calibration_by_quarter_chart(report: Report) -> Any:
    table = quarter_rows(report.model)
    base = alt.Chart(inline_data(table.to_dicts()))
    every = max(1, -(-table.height // 4))
    values = table.get_column("quarter").to_list()[::every]
    x = alt.X("quarter:O", title=None, axis=alt.Axis(labelAngle=0, values=values, **SMALL))
    scale = alt.Scale(domain=[0, 3], clamp=True)
    one = (
        alt.Chart(inline_data([{"y": 1}]))
        .mark_rule(aria=False, color=CHANCE, strokeDash=[4, 3])
        .encode(y=alt.Y("y:Q", scale=scale))
    )
    rules = base.mark_rule(aria=False, color=PLAIN).encode(
        x=x, y=alt.Y("lo:Q", scale=scale, title=None, axis=alt.Axis(tickCount=4, **SMALL)), y2=alt.Y2("hi:Q")
    )
    labels = (("value", "observed / predicted"), ("lo", "from"), ("hi", "to"))
    dots = base.mark_point(filled=True, size=50, color=PLAIN, opacity=1).encode(
        x=x, y=alt.Y("value:Q", scale=scale), tooltip=_estimate_tips("quarter:O", labels, ".2f")
    )
    title = "Comebacks observed / predicted, by quarter"
    return layer_charts(one, rules, dots, width=TIME_PX, height=HEIGHT, title=title)


def _calibration_chart(report: Report) -> Any:
    table = decile_rows(report.model).drop_nulls("observed")
    top = max([0.05, *(value for value in (*table["hi"].drop_nulls(), *table["predicted"].drop_nulls()))])
    scale = alt.Scale(domain=[0, top], nice=False)
    base = alt.Chart(inline_data(table.to_dicts()))
    x = alt.X("predicted:Q", scale=scale, axis=PERCENT, title="predicted risk, by decile")
    line = (
        alt.Chart(inline_data([{"x": 0, "y": 0}, {"x": top, "y": top}]))
        .mark_line(aria=False, color=CHANCE, strokeDash=[4, 3])
        .encode(x=alt.X("x:Q", scale=scale), y=alt.Y("y:Q", scale=scale))
    )
    rules = base.mark_rule(aria=False, color=PLAIN).encode(
        x=x, y=alt.Y("lo:Q", scale=scale, axis=PERCENT, title=None), y2=alt.Y2("hi:Q")
    )
    labels = (("predicted", "predicted"), ("observed", "came back"), ("lo", "from"), ("hi", "to"))
    dots = base.mark_point(filled=True, size=45, color=PLAIN, opacity=1).encode(
        x=x,
        y=alt.Y("observed:Q", scale=scale),
        tooltip=[alt.Tooltip(f"{name}:Q", format=".1%", title=label) for name, label in labels],
    )
    return layer_charts(
        line, rules, dots, width=MODEL_PX, height=HEIGHT, title="Calibration: observed against predicted"
    )


def validation_charts(report: Report) -> list[Any]:
    """Interval coverage and the other shares of a validation run, where there is one."""
    if report.proof is None or report.proof.filter("share").is_empty():
        return []
    rows = report.proof.filter("share").select("measure", "value", "lo", "hi", "met").head(MAX_MEASURES).to_dicts()
    base = alt.Chart(inline_data(rows)).encode(
        y=alt.Y("measure:N", sort=None, title=None, axis=alt.Axis(labelLimit=LABEL_PX, **SMALL))
    )
    rules = base.mark_rule(aria=False, color=CHANCE).encode(
        x=alt.X("lo:Q", axis=PERCENT, title=None), x2=alt.X2("hi:Q")
    )
    dots = base.mark_point(filled=True, size=45, opacity=1).encode(
        x=alt.X("value:Q"),
        color=conditional(alt.ColorValue, "datum.met", PLAIN, HIGH),
        shape=conditional(alt.ShapeValue, "datum.met", "circle", "triangle-left"),
        tooltip=_estimate_tips("measure:N", (("value", "share"), ("lo", "from"), ("hi", "to")), ".1%"),
    )
    return [
        layer_charts(rules, dots, width=MODEL_PX, height=ROW_PX * len(rows), title="Validation on simulated workshops")
    ]
