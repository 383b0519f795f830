"""How misses have gone over time, for the trainer's board: by quarter, by time at the bench, and the choice in words."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.boards.selection import PERCENT, SMALL, inline_data, named_rows, with_wilson
from analysis.boards.trainer_choices import LinkedChoices
from analysis.charts.theme import CHANCE, PLAIN, SUSPECT, layer_charts
from analysis.days import quarter_of
from analysis.report import Report

QUARTERS = "quarters"
SIDE_PX, WIDTH, MIN_DRAWN, MAX_COACHED = 310, 850, 5, 2


def misses_by_quarter(report: Report, linked: LinkedChoices) -> list[list[int]]:
    """Misses by quarter: place of the quarter, technician and step, missed, recorded."""
    places = {name: at for at, name in enumerate(linked.people)}
    ids = {title: step for step, title in linked.titles.items()}
    quarters = {name: at for at, name in enumerate(_list_quarters(report))}
    bleeds = report.data.bleeds.select("technician", quarter=_quarter_label("started_at"))
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


def _quarter_label(column: str) -> pl.Expr:
    return quarter_of(pl.col(column)).str.replace("-", " ")


def _list_quarters(report: Report) -> list[str]:
    return (
        report.data.bleeds.select(quarter=_quarter_label("started_at")).get_column("quarter").unique().sort().to_list()
    )


def _miss_counts_chart() -> alt.Chart:
    """Every count of misses, with the names its numbers stand for."""
    return alt.Chart(named_rows(QUARTERS)).transform_calculate(
        quarter="quarter_names[datum[0]]", technician="people[datum[1]]", step="step_names[datum[2]]"
    )


def _sum_misses(chart: alt.Chart, by: list[str]) -> alt.Chart:
    totals = [
        alt.AggregatedFieldDef(op="sum", field=field, **{"as": name})
        for field, name in (("3", "missed"), ("4", "recorded"))
    ]
    return chart.transform_aggregate(totals, groupby=[*by])


def quarter_chart(report: Report, linked: LinkedChoices) -> Any:
    """The chosen technician's misses of the chosen step by quarter, with everybody else's."""
    quarters = _list_quarters(report)
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
        _sum_misses(
            _miss_counts_chart()
            .transform_filter(linked.chosen_step_filter)
            .transform_filter(linked.chosen_person_filter),
            ["quarter"],
        ),
        "missed",
        "recorded",
    )
    peers = with_wilson(
        _sum_misses(
            _miss_counts_chart().transform_filter(linked.chosen_step_filter).transform_filter(
                "isValid(technician_technician) && datum.technician !== technician_technician"
            ),
            ["quarter"],
        ),
        "missed", "recorded",
    )  # fmt: skip
    y = alt.Y("rate:Q", axis=PERCENT, title=None)
    tips = [
        alt.Tooltip("quarter:O"), alt.Tooltip("rate:Q", format=".1%", title="missed"),
        alt.Tooltip("interval:N", title="95% interval"), alt.Tooltip("missed:Q"), alt.Tooltip("recorded:Q", title="of bleeds with the step recorded"),
    ]  # fmt: skip
    days = (
        alt.Chart(inline_data(_coaching_days(report, linked)))
        .transform_filter(linked.chosen_step_filter)
        .transform_filter("datum.technician === (isValid(technician_technician) ? technician_technician : null)")
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
        linked.step_title(", by quarter"),
        subtitle="solid: the selected technician, or everyone; dashed: everyone else",
    )
    return layer_charts(*marks).add_params(names).properties(width=SIDE_PX, height=95, title=title, name="by_quarter")


def _coaching_days(report: Report, linked: LinkedChoices) -> list[dict[str, Any]]:
    """Coaching by step and quarter, in words: each technician's, and that of all together without a technician."""
    coached = report.log.coaching.sort("coached_on", "technician").select(
        "technician", "coached_on", step=pl.col("step").replace(linked.titles), quarter=_quarter_label("coached_on")
    )
    own = coached.unique(["technician", "step", "quarter"], keep="first", maintain_order=True)
    own = own.with_columns(word=pl.format("coached {}", pl.col("coached_on").cast(pl.String)))
    every = own.group_by("step", "quarter", maintain_order=True).agg(names="technician")
    first_names = pl.col("names").list.head(MAX_COACHED).list.join(", ")
    more = pl.when(pl.col("names").list.len() > MAX_COACHED).then(pl.lit(" and others")).otherwise(pl.lit(""))
    every = every.with_columns(
        pl.lit(None, pl.String).alias("technician"), word=pl.format("{}{} coached", first_names, more)
    )
    columns = ["technician", "step", "quarter", "word"]
    return pl.concat([own.select(columns), every.select(columns)]).to_dicts()


def learning_charts(report: Report, linked: LinkedChoices) -> list[Any]:
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
        alt.Tooltip("technician:N"), alt.Tooltip("years:Q", title="years from"),
        alt.Tooltip("share:Q", format=".1%", title="of recorded steps missed"), alt.Tooltip("bleeds:Q"),
    ]  # fmt: skip
    every = base.mark_line(aria=False, color=CHANCE, opacity=0.5, strokeWidth=1).encode(
        x=x, y=y, detail="technician:N", tooltip=tips
    )
    own = base.transform_filter("datum.technician === technician_technician")
    line = own.mark_line(aria=False, color=PLAIN, strokeWidth=2.5, point=alt.OverlayMarkDef(color=PLAIN)).encode(
        x=x, y=y, tooltip=tips
    )
    return [layer_charts(every, line, title="Learning: share of all steps missed, by time at the bench")]


def choice_sentence_chart(linked: LinkedChoices) -> Any:
    """The choice in words: how often the chosen technician missed the chosen step."""
    chart = (
        _miss_counts_chart()
        .transform_filter(linked.chosen_person_filter)
        .transform_filter("!isValid(step_step) || datum.step === step_step")
    )
    chart = with_wilson(_sum_misses(chart, []), "missed", "recorded").transform_calculate(
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
