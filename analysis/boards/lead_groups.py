"""Workshops, technicians and brake models compared on the same work, for the lead's board."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.boards.selection import CLICKED, SMALL, Selection, any_chosen_expression, inline_data, text_chart
from analysis.charts.theme import CHANCE, HIGH, LOW, SIGNAL_LABELS, conditional, layer_charts
from analysis.dataset import MIN_COMEBACKS
from analysis.report import Report

GROUP_PX, ROW_PX, COUNTED_PX = 150, 16, 42
MAX_GROUPS, MAX_RATIO = 16, 4.0


def compared_kinds(report: Report) -> list[str]:
    """The kinds of group of which at least two can be compared on the same work."""
    ratios = report.rates.filter(pl.col("ratio_lo").is_not_null()).group_by("kind").agg(pl.col("group").n_unique())
    kinds = {kind for kind, groups in ratios.iter_rows() if groups > 1}
    return [kind for kind in CLICKED if kind in kinds]


def compared(report: Report, selection: Selection, kinds: list[str]) -> list[Any]:
    """Workshops and brake models in one column, technicians in the next; one line where nothing can be compared."""
    if not kinds:
        words = f"Comparing workshops, technicians or brake models needs at least two of them and {MIN_COMEBACKS} comebacks."
        return [text_chart(words, 500)]
    columns = [[kind for kind in column if kind in kinds] for column in (("shop", "brake_model"), ("technician",))]
    return [
        alt.vconcat(*(_group_chart(report, selection, kind) for kind in column), spacing=14)
        for column in columns
        if column
    ]


def _group_chart(report: Report, selection: Selection, kind: str) -> Any:
    """Observed over expected comebacks of each group on the same work, with its interval: estimated by the audit."""
    titles = {
        "shop": "Workshops, like for like",
        "brake_model": "Brake models, like for like",
        "technician": "Technicians, like for like",
    }
    rates = report.rates.filter(pl.col("kind") == kind, pl.col("ratio_lo").is_not_null())
    clear = pl.col("signal").is_in(["high", "low"])
    rates = rates.sort(~clear, "sessions", "group", descending=[False, True, False])
    left_out = max(rates.height - MAX_GROUPS, 0)
    rows = rates.head(MAX_GROUPS).sort("ratio", "group", descending=[True, False]).select(
        "ratio", "ratio_lo", "ratio_hi", "comebacks", "expected", "mature", "signal", pl.col("group").alias(kind),
        word=pl.col("signal").replace_strict(SIGNAL_LABELS),
        interval=pl.format("{}–{}", pl.col("ratio_lo").round(2), pl.col("ratio_hi").round(2)),
        counted=pl.col("comebacks") / pl.col("mature"),
        scope=pl.format("all bleeds: {}", "group"),
    )  # fmt: skip
    scale = alt.Scale(domain=[0, _ratio_axis_end(report)], clamp=True, nice=False)
    rows_axis = alt.Axis(ticks=False, domain=False, labelLimit=110, labelPadding=4, **SMALL)
    shared = alt.Chart(inline_data(rows.to_dicts())).encode(y=alt.Y(f"{kind}:N", sort=None, title=None, axis=rows_axis))
    axis = alt.Axis(tickMinStep=1, format="d", labelOverlap=False, **SMALL)
    label = "observed / expected comebacks" if kind != "shop" else None
    one = (
        alt.Chart(inline_data([{"x": 1}]))
        .mark_rule(aria=False, color=CHANCE, strokeDash=[4, 3])
        .encode(x=alt.X("x:Q", scale=scale, axis=axis, title=label))
    )
    rules = (
        alt.Chart()
        .mark_rule(aria=False, color=CHANCE, strokeWidth=1.5)
        .encode(x=alt.X("ratio_lo:Q"), x2=alt.X2("ratio_hi:Q"))
    )
    picked = selection.clicked[kind]
    domain = ["high", "low", "none", "too_few"]
    colours = alt.Scale(domain=domain, range=[HIGH, LOW, CHANCE, CHANCE])
    hollow = any_chosen_expression(kind)
    dots = (
        alt.Chart(name=f"{kind}_dots")
        .mark_point(size=64, strokeWidth=1.6)
        .encode(
            x=alt.X("ratio:Q"),
            shape=alt.Shape(
                "signal:N",
                scale=alt.Scale(domain=domain, range=["triangle-up", "triangle-down", "diamond", "diamond"]),
                legend=None,
            ),
            stroke=alt.Stroke("signal:N", scale=colours, legend=None),
            fill=alt.Fill("signal:N", scale=colours, legend=None),
            fillOpacity=conditional(alt.FillOpacityValue, hollow, 0, 1),
            opacity=conditional(alt.OpacityValue, picked, 1, 0.35),
            tooltip=[
                alt.Tooltip("scope:N", title="estimated for"), alt.Tooltip("ratio:Q", format=".2f", title="observed / expected"),
                alt.Tooltip("interval:N", title="95% interval"),
                alt.Tooltip("counted:Q", format=".1%", title="came back, unadjusted"), alt.Tooltip("comebacks:Q"),
                alt.Tooltip("expected:Q", format=".1f", title="expected for the same mix of work"),
                alt.Tooltip("mature:Q", title="of bleeds followed"), alt.Tooltip("word:N", title="in words"),
            ],
        )
        .add_params(picked)
    )  # fmt: skip
    counted = (
        alt.Chart()
        .mark_text(aria=False, align="right", fontSize=11, dx=COUNTED_PX)
        .encode(x=alt.value("width"), text=alt.Text("counted:Q", format=".1%"), opacity=alt.condition(hollow, alt.value(0.45), alt.value(1)))
    )  # fmt: skip
    heading = alt.Chart(inline_data([{"text": "came back"}])).mark_text(
        aria=False, align="right", baseline="bottom", fontSize=11, dx=COUNTED_PX
    )
    heading = heading.encode(x=alt.value("width"), y=alt.value(-2), text="text:N")
    name = titles[kind] + (f" ({left_out} with fewer bleeds not shown)" if left_out else "")
    title = alt.TitleParams(alt.ExprRef(expr=f"split('{name}' + ({hollow} ? ' (all bleeds)' : ''), '\\n')"))
    groups = layer_charts(rules, dots, counted, shared=shared)
    return layer_charts(one, groups, heading, width=GROUP_PX, height=ROW_PX * max(rows.height, 1), title=title)


def _ratio_axis_end(report: Report) -> float:
    """The end of the axis of ratios, the same for all groups."""
    highest = (
        report.rates.filter(pl.col("kind").is_in(["shop", "technician", "brake_model"])).get_column("ratio_hi").max()
    )
    return min(max(float(highest or 2.0), 2.0), MAX_RATIO)  # type: ignore[arg-type]
