"""The trainer's board: who misses which step, what each costs, and how a technician and a step have gone, linked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import altair as alt
import polars as pl

from analysis.boards.selection import inline_data, with_wilson
from analysis.charts.own_look import with_own_look
from analysis.charts.theme import CHANCE, HIGH, LOW, PLAIN, SUSPECT, VERDICT_LABELS, layer_charts
from analysis.report import Report
from schemas import LOG_TABLES, dictionary

QUARTERS = "quarters"
WIDTH, COST_PX, SIDE_PX, PEOPLE_PX, CURVE_PX, FLAGS_PX = 870, 130, 330, 200, 520, 330
CELL_PX, ROW_PX = 23, 15
MAX_PEOPLE, MAX_STEPS, MAX_FLAGS, MIN_DRAWN = 16, 19, 10, 5
SMALL: Any = {"labelFontSize": 11, "titleFontSize": 11}
PERCENT = alt.Axis(format=".0%", tickCount=4, **SMALL)
PATTERN_LABELS = {
    "favourite_digits": "rounded readings",
    "copied_entries": "entries copied from another bleed",
    "impossible_durations": "impossible times",
    "never_varied": "a reading that never varies",
    "recorded_only_when_met": "recorded only when done",
}
"""Unusual recording patterns, by the name of their test."""


@dataclass(frozen=True)
class Linked:
    """What the charts of the board share: technicians and steps (by what went wrong) in order, and the two choices."""

    people: list[str]
    steps: list[str]
    titles: dict[str, str]
    technician: alt.Parameter
    step: alt.Parameter

    @property
    def this_step(self) -> str:
        """The expression that keeps the chosen step; the costliest where none is chosen."""
        return "isValid(step_step) ? datum.step === step_step : datum.step === step_names[0]"

    @property
    def this_person(self) -> str:
        """The expression that keeps the chosen technician; everybody where none is chosen."""
        return "!isValid(technician_technician) || datum.technician === technician_technician"


@with_own_look
def trainer_board(report: Report) -> alt.ConcatChart:
    """The trainer's board, one chart: click a technician, a step or a mark where both meet.

    Parameters
    ----------
    report
        What the audit found; nothing is estimated here, shares missed by quarter are counted.
    """
    linked = _linked(report)
    constants = [
        alt.param(name="step_names", value=linked.steps),
        alt.param(name="people", value=linked.people),
    ]
    first = alt.hconcat(
        _matrix(report, linked), _costs(report, linked),
        alt.vconcat(_quarters(report, linked), *_learning(report, linked), _flags(report), spacing=12), spacing=16,
    ).resolve_scale(color="independent", shape="independent", size="independent")  # fmt: skip
    second = alt.hconcat(_people(report, linked), _dose_response(report, linked), spacing=40)
    board = alt.concat(_sentence(linked), first, second, _legend(), spacing=12, columns=1, align="none").add_params(
        *constants
    )
    return board.resolve_scale(color="independent", shape="independent", size="independent").properties(
        datasets={QUARTERS: {"rows": _quarter_rows(report, linked)}},
        title=alt.TitleParams("Steps and technicians at a glance", fontSize=16),
        description="The trainer's board: steps missed by each technician, what steps cost, shares missed over time",
    )


def _linked(report: Report) -> Linked:
    titles = {step.id: step.missed_title for step in report.standard.steps}
    available = report.steps.filter(pl.col("recorded") > 0).sort(
        "rank", "share_missed", "step", descending=[False, True, False], nulls_last=True
    )
    steps = [titles.get(step, step) for step in available.get_column("step").head(MAX_STEPS)]
    bleeds = (
        report.log.sessions.group_by("technician", maintain_order=True)
        .len()
        .sort("len", "technician", descending=[True, False])
    )
    people = bleeds.get_column("technician").head(MAX_PEOPLE).sort().to_list()
    return Linked(people, steps, titles, _choice("technician", "Technician", people), _choice("step", "Step", steps))


def _choice(name: str, label: str, options: list[str]) -> alt.Parameter:
    """A point selection with its list, by clicks on the marks named after it."""
    numbers = ("", "_0", "_1")  # Altair numbers the names of charts that carry a parameter
    clicks = ", ".join(f"@{mark}{at}_marks:click" for mark in ("matrix", f"{name}_dots") for at in numbers)
    bind = alt.binding_select(options=[None, *options], labels=["all", *options], name=f"{label} ")
    return alt.selection_point(name=name, fields=[name], on=clicks, bind=bind)


def _matrix(report: Report, linked: Linked) -> Any:
    """Technicians by steps: how much more or less than peers each misses each step; strong where that is clear."""
    titled = pl.col("step").replace(linked.titles)
    clear = pl.when(pl.col("lo") > 0).then(pl.lit("more")).when(pl.col("hi") < 0).then(pl.lit("fewer"))
    rows = report.technique.with_columns(step=titled).filter(
        pl.col("excess").is_not_null(), pl.col("step").is_in(linked.steps), pl.col("technician").is_in(linked.people)
    ).select(
        "technician", "step", "excess", "missed", "recorded", "share", "peer_share",
        size=pl.col("excess").abs(), way=clear.otherwise(pl.lit("no clear difference")),
        interval=pl.format("{} to {} points", (100 * pl.col("lo")).round(1), (100 * pl.col("hi")).round(1)),
    )  # fmt: skip
    tips = [
        alt.Tooltip("technician:N", title="technician"), alt.Tooltip("step:N", title="what went wrong"),
        alt.Tooltip("share:Q", format=".0%", title="missed"), alt.Tooltip("peer_share:Q", format=".0%", title="peers on the same work"),
        alt.Tooltip("interval:N", title="more than peers, 95%"), alt.Tooltip("missed:Q", title="missed"),
        alt.Tooltip("recorded:Q", title="of recorded"), alt.Tooltip("way:N", title="in words"),
    ]  # fmt: skip
    ways = ["more", "fewer", "no clear difference"]
    chart = alt.Chart(
        inline_data(rows.to_dicts()),
        width=CELL_PX * max(len(linked.people), 1),
        height=ROW_PX * max(len(linked.steps), 1),
        name="matrix",
        title="Who misses a step more or less often than peers on the same work",
    )
    return (
        chart.mark_point(filled=True, strokeWidth=1)
        .encode(
            x=alt.X("technician:N", sort=linked.people, title=None, scale=alt.Scale(domain=linked.people), axis=alt.Axis(labelAngle=-50, labelOverlap=False, labelSeparation=-20, **SMALL)),
            y=alt.Y("step:N", sort=linked.steps, title=None, scale=alt.Scale(domain=linked.steps), axis=alt.Axis(labelLimit=265, grid=True, **SMALL)),
            size=alt.Size("size:Q", scale=alt.Scale(range=[8, 230], domainMin=0), legend=None),
            color=alt.Color("way:N", scale=alt.Scale(domain=ways, range=[HIGH, LOW, CHANCE]), legend=None),
            shape=alt.Shape("way:N", scale=alt.Scale(domain=ways, range=["triangle-up", "triangle-down", "circle"]), legend=None),
            opacity=alt.condition("datum.way === 'no clear difference'", alt.value(0.35), alt.value(1)),
            tooltip=tips,
        )
        .add_params(linked.technician, linked.step)
    )  # fmt: skip


def _costs(report: Report, linked: Linked) -> Any:
    """Comebacks each step costs, in the order of the matrix next to it."""
    rows = report.steps.with_columns(step=pl.col("step").replace(linked.titles)).filter(
        pl.col("step").is_in(linked.steps), pl.col("preventable_per_100").is_not_null()
    ).select(
        "step", "preventable_per_100", "lo", "hi", "missed", "recorded", clear=pl.col("verdict") == "costs_comebacks",
        word=pl.col("verdict").replace(VERDICT_LABELS),
    )  # fmt: skip
    y = alt.Y(
        "step:N",
        sort=linked.steps,
        scale=alt.Scale(domain=linked.steps),
        title=None,
        axis=alt.Axis(labels=False, ticks=False),
    )
    base = alt.Chart(inline_data(rows.to_dicts()), width=COST_PX, height=ROW_PX * max(len(linked.steps), 1)).encode(y=y)
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
            alt.Tooltip("missed:Q", title="missed"), alt.Tooltip("recorded:Q", title="of recorded"), alt.Tooltip("word:N", title="in words"),
        ],
    )  # fmt: skip
    return layer_charts(zero, rules, dots.properties(name="step_dots")).properties(title="What each costs")


def _quarter_rows(report: Report, linked: Linked) -> list[list[int]]:
    """Misses by quarter: place of the quarter, technician and step, missed, recorded."""
    places = {name: at for at, name in enumerate(linked.people)}
    ids = {title: step for step, title in linked.titles.items()}
    quarters = {name: at for at, name in enumerate(_quarters_of(report))}
    bleeds = report.data.bleeds.select("technician", quarter=_quarter())
    rows: list[list[int]] = []
    for at, title in enumerate(linked.steps):
        missed = report.data.missed.get_column(ids.get(title, title)).alias("missed")
        counts = (
            bleeds.with_columns(missed)
            .filter(pl.col("missed").is_not_null())
            .group_by("quarter", "technician", maintain_order=True)
        )
        table = counts.agg(pl.col("missed").sum(), recorded=pl.len()).sort("quarter", "technician")
        rows += [
            [quarters[quarter], places.get(who, -1), at, int(misses), recorded]
            for quarter, who, misses, recorded in table.iter_rows()
        ]
    return rows


def _quarter() -> pl.Expr:
    day = pl.col("started_at").dt
    return pl.format("{} Q{}", day.year(), day.quarter())


def _quarters_of(report: Report) -> list[str]:
    return report.data.bleeds.select(_quarter().alias("quarter")).get_column("quarter").unique().sort().to_list()


def _missed(linked: Linked) -> alt.Chart:
    """Every count of misses, with the names its numbers stand for."""
    data = alt.NamedData(QUARTERS, format=alt.JsonDataFormat(type="json", property="rows"))
    return alt.Chart(data).transform_calculate(
        quarter="quarter_names[datum[0]]", technician="people[datum[1]]", step="step_names[datum[2]]"
    )


def _sums(chart: alt.Chart, by: list[str]) -> alt.Chart:
    totals = [
        alt.AggregatedFieldDef(op="sum", field=field, **{"as": name})
        for field, name in (("3", "missed"), ("4", "recorded"))
    ]
    return chart.transform_aggregate(totals, groupby=[*by])


def _quarters(report: Report, linked: Linked) -> Any:
    """The chosen technician's misses of the chosen step by quarter, with everybody else's."""
    quarters = _quarters_of(report)
    names = alt.param(name="quarter_names", value=quarters)
    every = max(1, -(-len(quarters) // 6))
    axis = alt.Axis(
        labelAngle=0,
        labelExpr=f"indexof(quarter_names, datum.value) % {every} == 0 ? datum.value : ''",
        title=None,
        labelOverlap=False,
        **SMALL,
    )
    x = alt.X("quarter:O", scale=alt.Scale(domain=quarters), axis=axis)
    own = with_wilson(
        _sums(_missed(linked).transform_filter(linked.this_step).transform_filter(linked.this_person), ["quarter"]),
        "missed",
        "recorded",
    )
    peers = with_wilson(
        _sums(
            _missed(linked).transform_filter(linked.this_step).transform_filter(
                "isValid(technician_technician) && datum.technician !== technician_technician"
            ),
            ["quarter"],
        ),
        "missed", "recorded",
    )  # fmt: skip
    y = alt.Y("rate:Q", axis=PERCENT, title=None)
    tips = [
        alt.Tooltip("quarter:O", title="quarter"), alt.Tooltip("rate:Q", format=".1%", title="missed"),
        alt.Tooltip("interval:N", title="95% interval"), alt.Tooltip("missed:Q", title="missed"), alt.Tooltip("recorded:Q", title="of recorded"),
    ]  # fmt: skip
    coached = report.log.coaching.select(
        "technician", step=pl.col("step").replace(linked.titles),
        quarter=pl.format("{} Q{}", pl.col("coached_on").dt.year(), pl.col("coached_on").dt.quarter()),
        word=pl.format("coached {}", pl.col("coached_on").cast(pl.String)),
    )  # fmt: skip
    days = (
        alt.Chart(inline_data(coached.to_dicts()))
        .transform_filter(linked.this_step)
        .transform_filter("datum.technician === technician_technician")
    )
    bands = own.mark_rule(aria=False, color=PLAIN, opacity=0.4).encode(
        x=x, y=alt.Y("lo:Q", title=None), y2=alt.Y2("hi:Q")
    )
    marks = [
        bands,
        peers.mark_line(aria=False, color=CHANCE, strokeDash=[4, 3]).encode(x=x, y=y),
        own.mark_line(aria=False, color=PLAIN).encode(x=x, y=y),
        own.mark_point(filled=True, size=40, color=PLAIN, opacity=1).encode(x=x, y=y, tooltip=tips),
        days.mark_rule(aria=False, color=SUSPECT, strokeWidth=2).encode(x=x),
        days.mark_text(aria=False, color=SUSPECT, align="left", dx=4, fontSize=11, baseline="top").encode(x=x, y=alt.value(0), text="word:N"),
    ]  # fmt: skip
    title = alt.TitleParams(
        "The chosen step by quarter: share missed",
        subtitle="solid: the chosen technician, or all; dashed: everybody else",
    )
    return layer_charts(*marks).add_params(names).properties(width=SIDE_PX, height=95, title=title, name="by_quarter")


def _learning(report: Report, linked: Linked) -> list[Any]:
    """Share of all steps missed by time since the first day at the bench; nothing where no first day is known."""
    started = report.log.technicians.filter(pl.col("started_on").is_not_null()).select("technician", "started_on")
    steps = [name for name in report.data.missed.columns if name != "session_id"]
    bleeds = report.data.bleeds.select("technician", "started_at").with_columns(
        missed=report.data.missed.select(pl.sum_horizontal(pl.col(steps).cast(pl.Int64))).to_series(),
        recorded=report.data.missed.select(pl.sum_horizontal(pl.col(steps).is_not_null().cast(pl.Int64))).to_series(),
    )
    days = (pl.col("started_at").dt.date() - pl.col("started_on")).dt.total_days()
    table = (
        bleeds.join(started, on="technician", maintain_order="left")
        .filter(days >= 0, pl.col("technician").is_in(linked.people))
        .group_by("technician", years=(days / 182.625).floor() / 2, maintain_order=True)
        .agg(pl.col("missed").sum(), pl.col("recorded").sum(), bleeds=pl.len())
        .filter(pl.col("bleeds") >= MIN_DRAWN, pl.col("recorded") > 0)
        .with_columns(share=pl.col("missed") / pl.col("recorded"))
        .sort("technician", "years")
    )
    if table.is_empty():
        return []
    base = alt.Chart(inline_data(table.to_dicts()), width=SIDE_PX, height=75)
    x = alt.X("years:Q", title="years since the first day at the bench", axis=alt.Axis(tickCount=8, **SMALL))
    y = alt.Y("share:Q", axis=PERCENT, title=None, scale=alt.Scale(zero=False))
    tips = [
        alt.Tooltip("technician:N", title="technician"), alt.Tooltip("years:Q", title="years from"),
        alt.Tooltip("share:Q", format=".1%", title="of recorded steps missed"), alt.Tooltip("bleeds:Q", title="bleeds"),
    ]  # fmt: skip
    every = base.mark_line(aria=False, color=CHANCE, opacity=0.5, strokeWidth=1).encode(
        x=x, y=y, detail="technician:N", tooltip=tips
    )
    own = base.transform_filter("datum.technician === technician_technician")
    line = own.mark_line(aria=False, color=PLAIN, strokeWidth=2.5, point=alt.OverlayMarkDef(color=PLAIN)).encode(
        x=x, y=y, tooltip=tips
    )
    return [layer_charts(every, line).properties(title="Learning: share of all steps missed, by time at the bench")]


def _people(report: Report, linked: Linked) -> Any:
    """Who misses the chosen step, compared with peers on the same work."""
    rows = report.technique.with_columns(step=pl.col("step").replace(linked.titles)).filter(
        pl.col("excess").is_not_null(), pl.col("step").is_in(linked.steps), pl.col("technician").is_in(linked.people)
    ).select("technician", "step", "excess", "lo", "hi", "missed", "recorded")  # fmt: skip
    base = (
        alt.Chart(inline_data(rows.to_dicts()), width=PEOPLE_PX, height=13 * max(len(linked.people), 1))
        .transform_filter(linked.this_step)
        .transform_calculate(
            way="datum.lo > 0 ? 'more' : datum.hi < 0 ? 'fewer' : 'no clear difference'",
            colour=f"datum.lo > 0 ? '{HIGH}' : datum.hi < 0 ? '{LOW}' : '{CHANCE}'",
        )
        .encode(y=alt.Y("technician:N", sort=linked.people, scale=alt.Scale(domain=linked.people), title=None, axis=alt.Axis(ticks=False, domain=False, **SMALL)))
    )  # fmt: skip
    zero = (
        alt.Chart(inline_data([{"x": 0}])).mark_rule(aria=False, color=CHANCE, strokeDash=[4, 3]).encode(x=alt.X("x:Q"))
    )
    axis = alt.X(
        "lo:Q", title="missed more than peers (percentage points)", axis=alt.Axis(format=".0%", tickCount=4, **SMALL)
    )
    rules = base.mark_rule(aria=False, color=CHANCE, strokeWidth=1.5).encode(x=axis, x2=alt.X2("hi:Q"))
    ways = alt.Scale(domain=["more", "fewer", "no clear difference"], range=["triangle-up", "triangle-down", "diamond"])
    dots = base.mark_point(filled=True, size=55).encode(
        x=alt.X("excess:Q"),
        color=alt.Color("colour:N", scale=None),
        shape=alt.Shape("way:N", scale=ways, legend=None),
        opacity=alt.condition(linked.technician, alt.value(1), alt.value(0.35)),
        tooltip=[
            alt.Tooltip("technician:N", title="technician"), alt.Tooltip("step:N", title="what went wrong"),
            alt.Tooltip("excess:Q", format="+.1%", title="more than peers"), alt.Tooltip("missed:Q", title="missed"),
            alt.Tooltip("recorded:Q", title="of recorded"), alt.Tooltip("way:N", title="in words"),
        ],
    )  # fmt: skip
    dots = dots.properties(name="technician_dots")
    return layer_charts(zero, rules, dots).properties(title="The chosen step: who misses it")


def _dose_response(report: Report, linked: Linked) -> Any:
    """The risk of a comeback along the reading that decides the chosen step, its limits, and the bleeds at each value."""
    words = {
        entry.name: f"{entry.description}{', ' + entry.unit if entry.unit not in ('', 'fraction') else ''}"
        for entry in dictionary("sessions", LOG_TABLES["sessions"])
    }
    curves = report.tolerance.select(
        "reading", "bleeds", "risk", "lo", "hi", "tolerance_lo", "tolerance_hi",
        step=pl.col("step").replace(linked.titles), field=pl.col("field").replace(words),
    )  # fmt: skip
    rows = inline_data(curves.to_dicts())
    base = alt.Chart(rows, width=CURVE_PX).transform_filter(linked.this_step)
    x = alt.X("reading:Q", title=None, scale=alt.Scale(zero=False, nice=False), axis=alt.Axis(tickCount=6, **SMALL))
    y = alt.Y("lo:Q", axis=PERCENT, title=None)
    tips = [
        alt.Tooltip("field:N", title="reading"), alt.Tooltip("reading:Q", title="value"), alt.Tooltip("risk:Q", format=".1%", title="came back, adjusted"),
        alt.Tooltip("lo:Q", format=".1%", title="from"), alt.Tooltip("hi:Q", format=".1%", title="to"), alt.Tooltip("bleeds:Q", title="bleeds near"),
    ]  # fmt: skip
    band = base.mark_area(aria=False, color=CHANCE, opacity=0.3).encode(x=x, y=y, y2=alt.Y2("hi:Q"))
    line = base.mark_line(aria=False, color=PLAIN, point=alt.OverlayMarkDef(color=PLAIN, size=25)).encode(
        x=x, y=alt.Y("risk:Q"), tooltip=tips
    )
    limits = [
        base.transform_filter(f"isValid(datum.{name})").transform_aggregate(limit=f"min({name})")
        .mark_rule(aria=False, color=SUSPECT, strokeDash=[4, 3], strokeWidth=1.5).encode(x=alt.X("limit:Q"))
        for name in ("tolerance_lo", "tolerance_hi")
    ]  # fmt: skip
    name = (
        base.transform_aggregate(n="count()", groupby=["field"])
        .mark_text(aria=False, align="left", baseline="top", fontSize=11)
        .encode(text="field:N", x=alt.value(2), y=alt.value(-15))
    )
    without = [{"step": step} for step in linked.steps if step not in set(curves.get_column("step"))]
    none = (
        alt.Chart(inline_data(without))
        .transform_filter(linked.this_step)
        .mark_text(aria=False, align="left", fontSize=12)
        .encode(text=alt.value("This step has no measured reading."), x=alt.value(10), y=alt.value(40))
    )
    title = alt.TitleParams("The chosen step: comeback risk along its reading (dashed: the limit)", offset=20)
    upper = layer_charts(band, line, *limits, name, none).properties(width=CURVE_PX, height=120, title=title)
    bars = base.mark_bar(color=CHANCE, width=6).encode(
        x=x, y=alt.Y("bleeds:Q", title=None, axis=alt.Axis(tickCount=2, **SMALL)), tooltip=tips
    ).properties(height=34)  # fmt: skip
    return alt.vconcat(upper, bars, spacing=4).resolve_scale(x="shared")


def _flags(report: Report) -> Any:
    """Unusual recording patterns, one line for each technician and pattern."""
    flags = (
        report.credibility.filter("flag")
        .group_by("technician", "test", maintain_order=True)
        .agg(pl.col("field").drop_nulls().sort(), pl.col("n").max(), pl.col("q_value").max())
        .sort("technician", "test")
    )
    lines = [
        {"row": row, "text": f"{who}: {PATTERN_LABELS.get(test, test)}", "n": n,
         "fields": ", ".join(name.replace("_", " ") for name in fields)}
        for row, (who, test, fields, n, _) in enumerate(flags.head(MAX_FLAGS).iter_rows())
    ]  # fmt: skip
    if flags.height > MAX_FLAGS:
        lines.append(
            {"row": MAX_FLAGS, "text": f"and {flags.height - MAX_FLAGS} more, in the table below", "n": 0, "fields": ""}
        )
    lines = lines or [{"row": 0, "text": "None. Nothing to ask.", "n": 0, "fields": ""}]
    return (
        alt.Chart(inline_data(lines), width=FLAGS_PX, height=17 * len(lines), title="Unusual recording patterns: ask how they came about")
        .mark_text(aria=False, align="left", baseline="top", fontSize=12)
        .encode(
            text="text:N", x=alt.value(0), y=alt.Y("row:O", axis=None),
            tooltip=[alt.Tooltip("text:N", title="pattern"), alt.Tooltip("fields:N", title="fields"), alt.Tooltip("n:Q", title="entries")],
        )
    )  # fmt: skip


def _sentence(linked: Linked) -> Any:
    """The choice in words: how often the chosen technician missed the chosen step."""
    chart = (
        _missed(linked)
        .transform_filter(linked.this_person)
        .transform_filter("!isValid(step_step) || datum.step === step_step")
    )
    chart = with_wilson(_sums(chart, []), "missed", "recorded").transform_calculate(
        who="isValid(technician_technician) ? technician_technician : 'All technicians'",
        what="isValid(step_step) ? step_step : 'all steps together'",
    )
    chart = chart.transform_calculate(
        sentence="datum.who + ', ' + datum.what + ': ' + (datum.recorded > 0 ? 'missed ' + format(datum.rate, '.1%') + ' of ' + "
        "format(datum.recorded, ',') + (isValid(step_step) ? ' bleeds, ' + datum.interval : ' recorded steps') : 'not recorded')"
    )
    return chart.properties(width=WIDTH, height=14, name="sentence").mark_text(
        aria=False, align="left", baseline="middle", fontSize=14, fontWeight="bold"
    ).encode(text="sentence:N", x=alt.value(0), y=alt.value(7))  # fmt: skip


def _legend() -> Any:
    words = (
        "Counted: ● shares by quarter and learning.   Estimated by the audit: ▲ clearly more   ▼ clearly fewer   "
        "► clearly costs comebacks   faint or ◊ not clear"
    )
    return (
        alt.Chart(inline_data([{"text": words}]), name="legend", width=WIDTH, height=16)
        .mark_text(align="left", fontSize=11, baseline="top")
        .encode(text="text:N", x=alt.value(0), y=alt.value(0))
    )
