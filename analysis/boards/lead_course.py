"""Missed steps by month and how soon bleeds come back, for the lead's board."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.boards.board_cells import EARLY_DAYS, CountedCells
from analysis.boards.selection import (
    MISSES,
    PERCENT,
    SMALL,
    Selection,
    all_cells_chart,
    any_chosen,
    counted,
    inline_data,
    selected_cells_chart,
    with_wilson,
    words_above,
)
from analysis.charts.theme import CHANCE, HIGH, PLAIN, layer_charts
from analysis.report import Report
from schemas.intermediate import CELL_STEPS

STEP_PX, SOON_PX, MOVED = 228, 200, 3
MIN_DRAWN = 5
"""Followed bleeds of a month below which its rate is not drawn: one bleed would move it by a fifth."""


def period_axis(cells: CountedCells, labels: int = 8) -> alt.X:
    """The months, every one a band; about `labels` of them labelled, none where `labels` is 0."""
    if not labels:
        blank = alt.Axis(labels=False, ticks=False, domain=False, title=None)
        return alt.X("month:O", scale=alt.Scale(domain=cells.periods, padding=0.1), axis=blank)
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
    return alt.X("month:O", scale=alt.Scale(domain=cells.periods, padding=0.1), axis=axis)


def moved_step_charts(report: Report, cells: CountedCells, selection: Selection) -> list[Any]:
    """Share missed by month of the three steps that moved most in the selection: one small chart for each."""
    titles = report.standard.missed_titles
    names = alt.param(name="missed_titles", value=[titles.get(step, step) for step in cells.steps])
    numbered = counted(selected_cells_chart(selection, period=False), ["month"], MISSES).transform_fold(
        [f"missed_{at}" for at in range(1, CELL_STEPS + 1)], as_=["field", "missed"]
    )
    shares = (
        numbered.transform_calculate(at="toNumber(slice(datum.field, 7))")
        .transform_calculate(recorded="datum['recorded_' + datum.at]")
        .transform_filter(f"datum.recorded >= {MIN_DRAWN}")
        .transform_joinaggregate(all_missed="sum(missed)", all_recorded="sum(recorded)", groupby=["at"])
        .transform_calculate(share="datum.missed / datum.recorded", usual="datum.all_missed / datum.all_recorded")
        .transform_calculate(
            deviation="datum.usual > 0 && datum.usual < 1 ? pow(datum.share - datum.usual, 2) * datum.recorded / "
            "(datum.usual * (1 - datum.usual)) : 0"
        )
        .transform_joinaggregate(moved="sum(deviation)", groupby=["at"])
        .transform_window(
            place="dense_rank()",
            sort=[alt.SortField("moved", order="descending"), alt.SortField("at")],
            frame=[None, None],
        )
    )
    charts = [
        _moved_step_chart(report, shares, cells, selection, place)
        for place in range(1, min(MOVED, len(cells.steps)) + 1)
    ]
    if charts:
        charts[0] = charts[0].add_params(names)
    if not charts:
        return []
    number = {1: "step", 2: "two steps", 3: "three steps"}[len(charts)]
    title = alt.TitleParams(f"The {number} whose miss rates changed most", offset=35)
    return [alt.hconcat(*charts, spacing=16, resolve={"scale": {"y": "shared"}}, title=title)]


def _moved_step_chart(report: Report, shares: alt.Chart, cells: CountedCells, selection: Selection, place: int) -> Any:
    own = with_wilson(shares.transform_filter(f"datum.place === {place}"), "missed", "recorded").transform_calculate(
        title="missed_titles[datum.at - 1]"
    )
    x, y = period_axis(cells, 3), alt.Y("share:Q", axis=PERCENT, title=None)
    line = own.mark_line(aria=False, color=PLAIN, opacity=0.7).encode(x=x, y=y)
    dots = own.mark_point(filled=True, size=22, color=PLAIN).encode(
        x=x,
        y=y,
        opacity=alt.condition(selection.period, alt.value(1), alt.value(0.25)),
        tooltip=[
            alt.Tooltip("title:N", title="step"), alt.Tooltip("month:O", title="month"),
            alt.Tooltip("share:Q", format=".1%", title="missed"), alt.Tooltip("interval:N", title="95% interval"),
            alt.Tooltip("missed:Q", title="missed"), alt.Tooltip("recorded:Q", title="of recorded"),
        ],
    )  # fmt: skip
    name = words_above(own.transform_aggregate(n="count()", groupby=["title"]), "datum.title", 42, fontWeight="bold")
    layers = [line, dots, name, *_first_sign_marks(report, own, x)]
    return layer_charts(*layers, width=STEP_PX, height=110, name=f"moved_{place}")


def _first_sign_marks(report: Report, own: alt.Chart, x: alt.X) -> list[Any]:
    """Where a workshop began to miss the step more: a line with its name, or theirs."""
    titles = report.standard.missed_titles
    signs = report.early_signs.filter("worse", pl.col("sign") == "missed").sort("shop", "subject")
    if signs.is_empty():
        return []
    key = pl.format("{} {}", "month", pl.col("subject").replace(titles)).alias("key")
    rows = signs.group_by(key, maintain_order=True).agg(worse_shops="shop")
    beginnings = (
        own.transform_calculate(key="datum.month + ' ' + datum.title")
        .transform_lookup(
            lookup="key", from_=alt.LookupData(inline_data(rows.to_dicts()), key="key", fields=["worse_shops"])
        )
        .transform_filter(
            "isValid(datum.worse_shops) && (!isValid(shop_shop) || indexof(datum.worse_shops, shop_shop) >= 0)"
        )
        .transform_calculate(worse_shop="isValid(shop_shop) ? shop_shop : join(datum.worse_shops, ', ')")
    )
    return [
        beginnings.mark_rule(aria=False, color=HIGH, strokeDash=[2, 2], strokeWidth=1.5).encode(x=x),
        beginnings.mark_text(aria=False, align="right", dx=-4, baseline="top", color=HIGH, fontSize=11).encode(
            x=x, y=alt.value(2), text="worse_shop:N"
        ),
    ]


def how_soon(report: Report, selection: Selection) -> Any:
    """The share that had come back by day 14, 30 and the end of the window: the selection and all bleeds."""
    days = [day for day in EARLY_DAYS if day < report.window_days]
    x = alt.X("day:Q", axis=alt.Axis(values=[0, *days, report.window_days], **SMALL), title="days since the bleed")
    y = alt.Y("share:Q", axis=PERCENT, title=None)
    tips = [
        alt.Tooltip("day:Q", title="by day"), alt.Tooltip("share:Q", format=".1%", title="came back"),
        alt.Tooltip("n:Q", title="of bleeds followed so long"),
    ]  # fmt: skip
    every, own = (
        _share_returned_by_day(cells, days, report.window_days)
        for cells in (all_cells_chart(), selected_cells_chart(selection, period=True))
    )
    lines = [
        every.mark_line(
            aria=False, color=CHANCE, strokeDash=[4, 3], point=alt.OverlayMarkDef(color=CHANCE, size=20)
        ).encode(x=x, y=y, tooltip=tips),
        own.mark_line(aria=False, color=PLAIN, point=alt.OverlayMarkDef(color=PLAIN, size=40)).encode(
            x=x, y=y, tooltip=tips
        ),
    ]
    words = [
        chart.transform_filter("datum.key === 'by_end'")
        .mark_text(aria=False, align="left", dx=6, fontSize=11)
        .encode(x=x, y=y, text=alt.value(word), opacity=opacity)
        for chart, word, opacity in (
            (every, "all", alt.condition(any_chosen(), alt.value(1), alt.value(0))),
            (own, "selection", alt.value(1)),
        )
    ]
    return layer_charts(
        *lines,
        *words,
        width=SOON_PX,
        height=110,
        name="how_soon",
        title=alt.TitleParams("How soon they came back", offset=22),
    )


def _share_returned_by_day(chart: alt.Chart, days: list[int], window_days: int) -> alt.Chart:
    """The share of the counted cells that had come back by each day, with the bleeds followed so long."""
    shares = {
        f"by_{day}": f"datum.followed_{day} > 0 ? datum.comebacks_{day} / datum.followed_{day} : null" for day in days
    }
    total = counted(chart, []).transform_calculate(
        by_0="0", by_end="datum.followed > 0 ? datum.comebacks / datum.followed : null", **shares
    )
    at = {"by_0": 0, "by_end": window_days, **{f"by_{day}": day for day in days}}
    place = " : ".join(f"datum.key === '{name}' ? {day}" for name, day in at.items()) + " : 0"
    n = (
        "datum.key === 'by_end' ? datum.followed : "
        + "".join(f"datum.key === 'by_{day}' ? datum.followed_{day} : " for day in days)
        + "datum.bleeds"
    )
    return total.transform_fold(list(at), as_=["key", "share"]).transform_calculate(day=place, n=n)
