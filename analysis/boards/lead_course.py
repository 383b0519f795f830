"""Missed steps by month and how soon bleeds come back, for the lead's board."""

from __future__ import annotations

import json
from typing import Any

import altair as alt
import polars as pl

from analysis.boards.board_cells import EARLY_DAYS, CountedCells
from analysis.boards.selection import (
    COUNTS,
    MISSED,
    PERCENT,
    SMALL,
    Selection,
    any_chosen_expression,
    inline_data,
    period_counts_chart,
    with_wilson,
    words_above,
)
from analysis.charts.theme import CHANCE, HIGH, PLAIN, conditional, layer_charts, x_at, y_at
from analysis.report import Report

STEP_PX, SOON_PX, MOVED = 228, 200, 3
MIN_DRAWN = 5
"""Followed bleeds of a month below which its rate is not drawn: one bleed would move it by a fifth."""
SELECTED_SHOP = (
    "(isValid(shop_shop) ? shop_shop : isValid(technician_technician) ? homes[technician_technician] : null)"
)
"""The expression for the one workshop that all selected bleeds are of, as far as a change in a workshop concerns it: undefined
for a technician of another or of several, null where bleeds of any workshop are selected."""


def period_axis(cells: CountedCells, labels: int = 8) -> alt.X:
    """The months, every one a band; about `labels` of them labelled, none where `labels` is 0."""
    if not labels:
        blank = alt.Axis(labels=False, ticks=False, domain=False, title=None)
        return alt.X("month:O", scale=alt.Scale(domain=alt.ExprRef("periods"), padding=0.1), axis=blank)
    every = max(1, -(-len(cells.periods) // labels))
    visible = f"indexof(periods, datum.value) % {every} == 0 ? datum.value : ''"
    axis = alt.Axis(
        labelAngle=0,
        labelExpr=visible,
        labelOverlap=False,
        labelFlush=True,
        labelPadding=5,
        ticks=False,
        title=None,
        **SMALL,
    )
    return alt.X("month:O", scale=alt.Scale(domain=alt.ExprRef("periods"), padding=0.1), axis=axis)


def moved_step_charts(report: Report, cells: CountedCells, selection: Selection) -> list[Any]:
    """Share missed by month of three steps: those that changed in the chosen workshops, then the costliest."""
    titles = report.standard.missed_titles
    names = alt.param(name="missed_titles", value=[titles.get(step, step) for step in cells.steps])
    shares = (
        alt.Chart()
        .transform_fold([*MISSED], as_=["field", "missed"])
        .transform_calculate(at="toNumber(slice(datum.field, 7))")
        .transform_calculate(recorded="datum.bleeds - datum['recorded_' + datum.at]")
        .transform_calculate(
            missed=f"datum.recorded >= {MIN_DRAWN} ? datum.missed : 0",
            recorded=f"datum.recorded >= {MIN_DRAWN} ? datum.recorded : 0",
        )
        .transform_joinaggregate(all_missed="sum(missed)", all_recorded="sum(recorded)", groupby=["at"])
        .transform_calculate(
            share="datum.recorded > 0 ? datum.missed / datum.recorded : null",
            usual="datum.all_missed / datum.all_recorded",
        )
        .transform_calculate(
            deviation="datum.usual > 0 && datum.usual < 1 ? pow(datum.share - datum.usual, 2) * datum.recorded / "
            "(datum.usual * (1 - datum.usual)) : 0"
        )
        .transform_joinaggregate(moved="sum(deviation)", first="min(month)", groupby=["at"])
        .transform_calculate(title="missed_titles[datum.at - 1]")
    )
    shares = _with_changes(report, shares).transform_window(
        place="dense_rank()",
        sort=[alt.SortField("changed", order="descending"), alt.SortField("at")],
        frame=[None, None],
    )
    shares = shares.transform_filter(f"datum.place <= {MOVED}")
    shares = _with_first_signs(report, with_wilson(shares, "missed", "recorded"))
    places = range(1, min(MOVED, len(cells.steps)) + 1)
    charts = [_moved_step_chart(cells, selection, place) for place in places]
    if not charts:
        return []
    charts[0] = charts[0].add_params(names, _home_shop_parameter(report))
    has_costs = report.steps.get_column("rank").count() > 0
    order = "the costliest" if has_costs else "those missed most often"
    changed = "" if _changed_steps(report).is_empty() else "those that changed, then "
    title = alt.TitleParams(f"Missed steps by month: {changed}{order}", offset=35)
    together: Any = {"scale": {"y": "shared"}}
    return [alt.hconcat(*charts, transform=shares.transform, spacing=16, resolve=together, title=title)]


def _moved_step_chart(cells: CountedCells, selection: Selection, place: int) -> Any:
    shared = (
        alt.Chart()
        .transform_filter(f"datum.place === {place}")
        .encode(x=period_axis(cells, 3), y=alt.Y("share:Q", axis=PERCENT, title=None))
    )
    visible = alt.Chart().transform_filter("datum.recorded > 0")
    line = visible.mark_line(aria=False, color=PLAIN, opacity=0.7)
    dots = visible.mark_point(filled=True, size=22, color=PLAIN).encode(
        opacity=conditional(alt.OpacityValue, selection.period, 1, 0.25),
        tooltip=[
            alt.Tooltip("title:N", title="step"), alt.Tooltip("month:O"),
            alt.Tooltip("share:Q", format=".1%", title="missed"), alt.Tooltip("interval:N", title="95% interval"),
            alt.Tooltip("missed:Q"), alt.Tooltip("recorded:Q", title="of bleeds with the step recorded"),
        ],
    )  # fmt: skip
    name = words_above(
        alt.Chart().transform_filter("datum.month === datum.first"),
        f"datum.title + (datum.changed || {any_chosen_expression('shop', period=False)} ? '' : ': no change found')",
        42,
        fontWeight="bold",
    )
    rule = alt.Chart().mark_rule(aria=False, color=HIGH, strokeDash=[2, 2], strokeWidth=1.5)
    rule = rule.encode(y=y_at(0), y2=alt.Y2Value("height"))  # type: ignore[no-untyped-call]
    shop = alt.Chart().mark_text(aria=False, align="right", dx=-4, baseline="top", color=HIGH, fontSize=11)
    shop = shop.encode(y=y_at(2), text=alt.Text("worse_shop:N"))
    signs = layer_charts(rule, shop, shared=visible.transform_filter("datum.worse_shop"))
    nothing = few_bleeds_layer(alt.Chart().transform_filter("datum.month === datum.first && datum.all_recorded == 0"))
    layers = [line, dots, name, signs, nothing]
    return layer_charts(*layers, shared=shared, width=STEP_PX, height=110, name=f"moved_{place}")


def few_bleeds_layer(chart: alt.Chart) -> alt.Chart:
    """Why a chart by month has nothing to show, in two lines, once for each row of the chart's data."""
    words = [f"Fewer than {MIN_DRAWN} bleeds in", "each month: no share drawn"]
    return chart.mark_text(aria=False, align="left", baseline="top", fontSize=11, text=words).encode(
        x=x_at(4), y=y_at(20)
    )


def _home_shop_parameter(report: Report) -> alt.Parameter:
    """The workshop of each technician who works in that one alone and whose workshop began to miss a step more or less."""
    changed = report.early_signs.filter(pl.col("sign") == "missed").get_column("shop").unique().implode()
    bleeds = report.log.sessions.group_by("technician").agg(pl.col("shop").unique()).drop_nulls("technician")
    alone = bleeds.filter(pl.col("shop").list.len() == 1).with_columns(pl.col("shop").list.first())
    rows = alone.filter(pl.col("shop").is_in(changed)).sort("technician").select("technician", "shop")
    return alt.param(name="homes", value=dict(rows.iter_rows()))


def _changed_steps(report: Report) -> pl.DataFrame:
    """Steps by what went wrong, and the workshops whose misses of them changed."""
    signs = report.early_signs.filter(pl.col("sign") == "missed").sort("shop", "subject")
    title = pl.col("subject").replace(report.standard.missed_titles).alias("title")
    return signs.group_by(title, maintain_order=True).agg(changed_shops=pl.col("shop").unique(maintain_order=True))


def _with_changes(report: Report, shares: alt.Chart) -> alt.Chart:
    """The shares with how far a step moved, where its misses changed in a chosen workshop; zero elsewhere."""
    rows = _changed_steps(report).to_dicts()
    return shares.transform_lookup(
        lookup="title", from_=alt.LookupData(inline_data(rows), key="title", fields=["changed_shops"])
    ).transform_calculate(
        changed=f"datum.changed_shops && ({SELECTED_SHOP} === null || indexof(datum.changed_shops, {SELECTED_SHOP}) >= 0) ? datum.moved : 0"
    )


def _with_first_signs(report: Report, shares: alt.Chart) -> alt.Chart:
    """The shares with the names of the workshops, of those chosen, that began to miss the step more in that month."""
    titles = report.standard.missed_titles
    signs = report.early_signs.filter("worse", pl.col("sign") == "missed").sort("shop", "subject")
    key = pl.format("{} {}", "month", pl.col("subject").replace(titles)).alias("key")
    rows = signs.group_by(key, maintain_order=True).agg(worse_shops="shop")
    return (
        shares.transform_calculate(key="datum.month + ' ' + datum.title")
        .transform_lookup(
            lookup="key", from_=alt.LookupData(inline_data(rows.to_dicts()), key="key", fields=["worse_shops"])
        )
        .transform_calculate(
            worse_shop=f"!datum.worse_shops ? '' : {SELECTED_SHOP} !== null ? "
            f"(indexof(datum.worse_shops, {SELECTED_SHOP}) >= 0 ? {SELECTED_SHOP} : '') : "
            f"{any_chosen_expression('shop', period=False)} ? '' : join(datum.worse_shops, ', ')"
        )
    )


def share_returned_chart(report: Report, cells: CountedCells, selection: Selection) -> Any:
    """The share that had come back by day 14, 30 and the end of the window: the selection and all bleeds."""
    days = {day: f"_{day}" for day in EARLY_DAYS if day < report.window_days} | {report.window_days: ""}
    axis = alt.Axis(values=[0, *days], **SMALL)
    tips = [
        alt.Tooltip("day:Q", title="by day"), alt.Tooltip("share:Q", format=".1%", title="came back"),
        alt.Tooltip("n:Q", title="of bleeds followed that long"),
    ]  # fmt: skip
    shared = alt.Chart().encode(
        x=alt.X("day:Q", axis=axis, title="days since the bleed"), y=alt.Y("share:Q", axis=PERCENT, title=None)
    )
    counts = cells.table.select(pl.col(COUNTS).sum()).row(0, named=True)
    ends = [(day, counts[f"followed{end}"], counts[f"comebacks{end}"]) for day, end in days.items()]
    shares = [{"day": day, "n": n, "share": back / n if n else None} for day, n, back in ends]
    every = alt.Chart(inline_data([{"day": 0, "n": counts["bleeds"], "share": 0}, *shares]))
    own = _share_returned_by_day(period_counts_chart(selection, COUNTS), days)
    visible = alt.condition(any_chosen_expression(), alt.value(1), alt.value(0))
    last = alt.Chart().transform_filter(f"datum.day === {report.window_days}")
    word = last.mark_text(aria=False, align="left", dx=6, fontSize=11)
    small, large = (alt.OverlayMarkDef(color=colour, size=size) for colour, size in ((CHANCE, 20), (PLAIN, 40)))
    every_line = alt.Chart().mark_line(aria=False, color=CHANCE, strokeDash=[4, 3], point=small).encode(tooltip=tips)
    own_line = alt.Chart().mark_line(aria=False, color=PLAIN, point=large).encode(tooltip=tips)
    layers = [
        layer_charts(every_line, word.encode(text=alt.TextValue("all"), opacity=visible), shared=every),
        layer_charts(own_line, word.encode(text=alt.TextValue("selected")), shared=own),
    ]
    title = alt.TitleParams("How soon they came back", offset=22)
    return layer_charts(*layers, shared=shared, width=SOON_PX, height=110, name="share_returned_chart", title=title)


def _share_returned_by_day(chart: alt.Chart, days: dict[int, str]) -> alt.Chart:
    """The share of the counted bleeds that had come back by each day, with the bleeds followed so long."""
    day_of = {"by_0": 0} | {f"comebacks{end}": day for day, end in days.items()}
    return (
        chart.transform_calculate(by_0="0")
        .transform_fold([*day_of], as_=["key", "back"])
        .transform_calculate(
            day=f"{json.dumps(day_of)}[datum.key]",
            n="datum.key === 'by_0' ? datum.bleeds : datum[replace(datum.key, 'comebacks', 'followed')]",
        )
        .transform_calculate(share="datum.n > 0 ? datum.back / datum.n : null")
    )
