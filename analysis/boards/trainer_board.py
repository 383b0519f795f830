"""The trainer's board: who misses which step, what each costs, and how a technician and a step have gone, linked."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.boards.recording_flags import recording_flags_chart
from analysis.boards.selection import (
    LETTERS,
    PERCENT,
    SMALL,
    inline_data,
    period_name,
    rows_text,
    text_chart,
    with_wilson,
)
from analysis.boards.step_curves import step_curves
from analysis.boards.trainer_choices import LinkedChoices, linked_choices
from analysis.boards.trainer_history import (
    QUARTERS,
    choice_sentence_chart,
    learning_charts,
    misses_by_quarter,
    quarter_chart,
)
from analysis.charts.own_look import with_built_in_look
from analysis.charts.theme import CHANCE, HIGH, LOW, PLAIN, VERDICT_LABELS, layer_charts, separate_scales
from analysis.report import Report

WIDTH, COST_PX, SHARE_PX, MAX_CHANGES = 850, 120, 322, 3
LABEL_PX, CELL_PX, ROW_PX, PEOPLE_PX = 310, 23, 15, 84
RECORD_STEPS = "The bench sheet (rebleed sheet) asks for each of them."
BAND: Any = {"aria": False, "color": CHANCE, "opacity": 0.25, "strokeWidth": 15}
"""Look of the band along what is chosen."""
POINTS = "datum.value === 0 ? '0' : format(100 * datum.value, '+.0f')"
WAYS = ("more", "fewer", "no clear difference")


@with_built_in_look
def trainer_board(report: Report) -> alt.ConcatChart:
    """The trainer's board as one chart: click a technician, a step, or the mark where the two meet.

    Parameters
    ----------
    report
        A finished audit; nothing is estimated here, and shares missed by quarter are counted.
    """
    linked = linked_choices(report)
    title = alt.TitleParams("Steps and technicians at a glance", fontSize=16)
    words = "The trainer's board: steps missed by each technician, what missed steps cost, shares missed over time"
    if not linked.steps:
        needed = text_chart(f"No step of the procedure is recorded in this log. {RECORD_STEPS}", WIDTH)
        return alt.concat(
            needed,
            recording_flags_chart(report),
            _legend_chart(report),
            columns=1,
            params=[LETTERS],
            title=title,
            description=words,
        )
    parts = [choice_sentence_chart(linked), _lay_out_panels(report, linked), _legend_chart(report)]
    names = {
        "step_names": linked.steps,
        "curve_names": linked.curves,
        "people": linked.people,
        "first_steps": linked.first_steps,
    }
    return alt.concat(
        *parts,
        spacing=12,
        columns=1,
        align="none",
        params=[LETTERS, *(alt.VariableParameter(name=name, value=value) for name, value in names.items())],
        resolve=separate_scales("color", "shape", "size"),
        datasets={QUARTERS: rows_text(misses_by_quarter(report, linked))},
        title=title,
        description=words,
    )


def _lay_out_panels(report: Report, linked: LinkedChoices) -> Any:
    compared = _excess_over_peers(report, linked)
    if compared.is_empty():
        people = _missed_shares_chart(report, linked)
    else:
        by_person = (
            _excess_matrix_chart(compared, linked, _workshop_changes(report, linked)),
            _peer_comparison_chart(compared, linked),
        )
        people = alt.vconcat(*by_person, spacing=4, resolve=separate_scales("shape", "color"))
    history = alt.vconcat(
        quarter_chart(report, linked), *learning_charts(report, linked), recording_flags_chart(report), spacing=10
    )
    right = alt.vconcat(
        alt.hconcat(*_step_costs_chart(report, linked), history, spacing=16), *step_curves(report, linked), spacing=10
    )
    return alt.hconcat(people, right, spacing=16, resolve=separate_scales("color", "shape", "size"))


def _excess_over_peers(report: Report, linked: LinkedChoices) -> pl.DataFrame:
    """How much more or less than peers each technician misses each step; empty without peers to compare with."""
    more, fewer = pl.col("clear") & (pl.col("lo") > 0), pl.col("clear") & (pl.col("hi") < 0)
    clear = pl.when(more).then(pl.lit("more")).when(fewer).then(pl.lit("fewer"))
    table = report.technique.with_columns(step=pl.col("step").replace(linked.titles)).filter(
        pl.col("excess").is_not_null(), pl.col("step").is_in(linked.steps), pl.col("technician").is_in(linked.people)
    )
    return table.select(
        "technician", "step", "excess", "lo", "hi", "missed", "recorded", "share", "peer_share",
        size=pl.col("excess").abs(), way=clear.otherwise(pl.lit("no clear difference")),
        interval=pl.format("{} to {} points", (100 * pl.col("lo")).round(1), (100 * pl.col("hi")).round(1)),
    )  # fmt: skip


EXCESS_TIPS = [
    alt.Tooltip("technician:N"), alt.Tooltip("step:N", title="what went wrong"),
    alt.Tooltip("share:Q", format=".0%", title="missed"), alt.Tooltip("peer_share:Q", format=".0%", title="missed by peers on similar work"),
    alt.Tooltip("interval:N", title="more than peers, 95%"), alt.Tooltip("missed:Q"),
    alt.Tooltip("recorded:Q", title="of bleeds with the step recorded"), alt.Tooltip("way:N", title="in words"),
]  # fmt: skip


def _step_axis(linked: LinkedChoices, **more: Any) -> alt.Y:
    axis = alt.Axis(labelLimit=LABEL_PX, labelPadding=4, ticks=False, domain=False, **SMALL, **more)
    return alt.Y("step:N", sort=linked.steps, title=None, scale=alt.Scale(domain=linked.steps), axis=axis)


def _person_axis(linked: LinkedChoices, *, labels: bool) -> alt.X:
    look: Any = (
        {"labelAngle": -50, "labelOverlap": False, "labelSeparation": -20, **SMALL} if labels else {"labels": False}
    )
    return alt.X(
        "technician:N", sort=linked.people, title=None, scale=alt.Scale(domain=linked.people),
        axis=alt.Axis(ticks=False, domain=False, **look),
    )  # fmt: skip


def _chosen_row_band(linked: LinkedChoices, axis: alt.Y) -> Any:
    """A band along the row of the step that the other charts show."""
    rows = alt.Chart(inline_data([{"step": step} for step in linked.steps])).transform_filter(linked.chosen_step_filter)
    return rows.mark_rule(**BAND).encode(y=axis)


def _chosen_column_band(linked: LinkedChoices, axis: alt.X) -> Any:
    """A band along the column of the chosen technician."""
    columns = alt.Chart(inline_data([{"technician": name} for name in linked.people]))
    return columns.transform_filter("datum.technician === technician_technician").mark_rule(**BAND).encode(x=axis)


def _workshop_changes(report: Report, linked: LinkedChoices) -> list[str]:
    """Steps that a workshop began to miss more often, in words: to look at before its people."""
    signs = report.early_signs.filter("worse", pl.col("sign") == "missed").sort("month", "shop", "subject")
    steps = signs.with_columns(step=pl.col("subject").replace(linked.titles)).filter(pl.col("step").is_in(linked.steps))
    return [
        f"{row['step']}: missed more often at {row['shop']} since {period_name(row['month'])}"
        for row in steps.tail(MAX_CHANGES).iter_rows(named=True)
    ]


def _excess_matrix_chart(compared: pl.DataFrame, linked: LinkedChoices, workshop_changes: list[str]) -> Any:
    """Technicians by steps: how much more or less than peers each misses each step; strong where that is clear."""
    shapes = ["triangle-up", "triangle-down", "circle"]
    marks = (
        alt.Chart(inline_data(compared.to_dicts()))
        .mark_point(filled=True, strokeWidth=1)
        .encode(
            x=_person_axis(linked, labels=True),
            y=_step_axis(linked, grid=True),
            size=alt.Size("size:Q", scale=alt.Scale(range=[8, 230], domainMin=0), legend=None),
            color=alt.Color("way:N", scale=alt.Scale(domain=WAYS, range=[HIGH, LOW, CHANCE]), legend=None),
            shape=alt.Shape("way:N", scale=alt.Scale(domain=WAYS, range=shapes), legend=None),
            opacity=alt.condition("datum.way === 'no clear difference'", alt.value(0.35), alt.value(1)),
            tooltip=EXCESS_TIPS,
        )
        .properties(name="matrix")
        .add_params(linked.technician, linked.step)
    )
    rows = [{"technician": first, "shop": shop} for shop, first in linked.shops.items()]
    workshops = (
        alt.Chart(inline_data(rows))
        .mark_text(aria=False, align="left", baseline="bottom", dx=-CELL_PX // 2, fontSize=11, style="workshops")
        .encode(x=_person_axis(linked, labels=True), y=alt.value(-2), text="shop:N")
    )
    title = alt.TitleParams(
        "Who misses a step more or less often than peers (last 12 months or less, similar work)",
        subtitle=workshop_changes or alt.Undefined,
        offset=18 if linked.shops else 8,
    )
    return layer_charts(
        _chosen_row_band(linked, _step_axis(linked, grid=True)),
        _chosen_column_band(linked, _person_axis(linked, labels=True)),
        marks,
        *([workshops] if rows else []),
        width=CELL_PX * max(len(linked.people), 1),
        height=ROW_PX * len(linked.steps),
        title=title,
    )


def _peer_comparison_chart(compared: pl.DataFrame, linked: LinkedChoices) -> Any:
    """Who misses the chosen step, compared with peers on the same work, below their columns of the matrix."""
    x = _person_axis(linked, labels=False)
    base = alt.Chart(inline_data(compared.to_dicts())).transform_filter(linked.chosen_step_filter)
    zero = (
        alt.Chart(inline_data([{"y": 0}])).mark_rule(aria=False, color=CHANCE, strokeDash=[4, 3]).encode(y=alt.Y("y:Q"))
    )
    axis = alt.Axis(labelExpr=POINTS, tickCount=4, **SMALL)
    rules = base.mark_rule(aria=False, color=CHANCE, strokeWidth=1.5).encode(
        x=x, y=alt.Y("lo:Q", title=None, axis=axis), y2=alt.Y2("hi:Q")
    )
    dots = (
        base.mark_point(filled=True, size=55)
        .encode(
            x=x,
            y=alt.Y("excess:Q"),
            color=alt.Color("way:N", scale=alt.Scale(domain=WAYS, range=[HIGH, LOW, CHANCE]), legend=None),
            shape=alt.Shape(
                "way:N", scale=alt.Scale(domain=WAYS, range=["triangle-up", "triangle-down", "diamond"]), legend=None
            ),
            opacity=alt.condition(linked.technician, alt.value(1), alt.value(0.35)),
            tooltip=EXCESS_TIPS,
        )
        .properties(name="technician_dots")
    )
    return layer_charts(_chosen_column_band(linked, x), zero, rules, dots, 
        width=CELL_PX * max(len(linked.people), 1), height=PEOPLE_PX,
        title=alt.TitleParams(linked.step_title(": difference from peers, points")),
    )  # fmt: skip


def _missed_shares_chart(report: Report, linked: LinkedChoices) -> Any:
    """How often each step is missed, where there are no peers to compare with."""
    table = report.steps.filter(pl.col("recorded") > 0).with_columns(step=pl.col("step").replace(linked.titles))
    rows = table.filter(pl.col("step").is_in(linked.steps)).select("step", "missed", "recorded").to_dicts()
    base = with_wilson(alt.Chart(inline_data(rows)), "missed", "recorded").encode(y=_step_axis(linked, grid=True))
    rules = base.mark_rule(aria=False, color=PLAIN, opacity=0.5).encode(
        x=alt.X("lo:Q", title=None, axis=PERCENT), x2=alt.X2("hi:Q")
    )
    dots = (
        base.mark_point(filled=True, size=55, color=PLAIN, opacity=1)
        .encode(
            x="rate:Q",
            tooltip=[
                alt.Tooltip("step:N", title="what went wrong"), alt.Tooltip("rate:Q", format=".1%", title="missed"),
                alt.Tooltip("interval:N", title="95% interval"), alt.Tooltip("missed:Q"), alt.Tooltip("recorded:Q", title="of bleeds with the step recorded"),
            ],
        )
        .properties(name="matrix")
        .add_params(linked.technician, linked.step)
    )  # fmt: skip
    title = "How often each step is missed (comparing needs two technicians)"
    return layer_charts(
        _chosen_row_band(linked, _step_axis(linked, grid=True)),
        rules,
        dots,
        width=SHARE_PX,
        height=ROW_PX * len(linked.steps),
        title=title,
    )


def _step_costs_chart(report: Report, linked: LinkedChoices) -> list[Any]:
    """Comebacks each step costs, in the order of the matrix next to it; nothing where there are too few comebacks."""
    table = report.steps.with_columns(step=pl.col("step").replace(linked.titles)).filter(
        pl.col("step").is_in(linked.steps), pl.col("preventable_per_100").is_not_null()
    )
    rows = table.select(
        "step", "preventable_per_100", "lo", "hi", "missed", "recorded", clear=pl.col("verdict") == "costs_comebacks",
        word=pl.col("verdict").replace(VERDICT_LABELS),
    )  # fmt: skip
    if rows.is_empty():
        return []
    base = alt.Chart(inline_data(rows.to_dicts())).encode(y=_step_axis(linked, labels=False))
    zero = (
        alt.Chart(inline_data([{"x": 0}])).mark_rule(aria=False, color=CHANCE, strokeDash=[4, 3]).encode(x=alt.X("x:Q"))
    )
    axis = alt.X("lo:Q", title="comebacks prevented per 100", axis=alt.Axis(tickCount=4, **SMALL))
    rules = base.mark_rule(aria=False, color=CHANCE, strokeWidth=1.5).encode(x=axis, x2=alt.X2("hi:Q"))
    dots = base.mark_point(filled=True, size=60, opacity=1).encode(
        x=alt.X("preventable_per_100:Q"),
        color=alt.condition("datum.clear", alt.value(HIGH), alt.value(CHANCE)),
        shape=alt.condition("datum.clear", alt.value("triangle-right"), alt.value("diamond")),
        tooltip=[
            alt.Tooltip("step:N", title="what went wrong"), alt.Tooltip("preventable_per_100:Q", format=".2f", title="prevented per 100 bleeds"),
            alt.Tooltip("lo:Q", format=".2f", title="from"), alt.Tooltip("hi:Q", format=".2f", title="to"),
            alt.Tooltip("missed:Q"), alt.Tooltip("recorded:Q", title="of bleeds with the step recorded"), alt.Tooltip("word:N", title="in words"),
        ],
    )  # fmt: skip
    title = alt.TitleParams("What each missed step costs", offset=18 if linked.shops else 8)
    chart = layer_charts(
        _chosen_row_band(linked, _step_axis(linked, labels=False)), zero, rules, dots.properties(name="step_dots")
    )
    return [chart.properties(width=COST_PX, height=ROW_PX * len(linked.steps), title=title)]


def _legend_chart(report: Report) -> Any:
    words = "Solid circles are counted shares of bleeds with the step missed."
    if report.technique.get_column("excess").count():
        words += " Estimated by the audit: ▲ clearly more, ▼ clearly fewer, ► clearly leads to comebacks. Faint marks and ◆: no clear difference."
    return text_chart(words, WIDTH, name="legend")
