"""The lead's board: months, comparisons on the same work, missed steps and how soon bleeds come back, linked."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.boards.board_cells import EARLY_DAYS, CountedCells, count_cells
from analysis.boards.figures import lead_figures
from analysis.boards.lead_course import (
    MIN_DRAWN,
    few_bleeds_layer,
    moved_step_charts,
    period_axis,
    share_returned_chart,
)
from analysis.boards.lead_groups import compared, compared_kinds
from analysis.boards.selection import (
    CELLS,
    LETTERS,
    PERCENT,
    SMALL,
    Selection,
    any_chosen_expression,
    build_selection,
    cells_text,
    inline_data,
    month_counts_chart,
    period_name,
    sentence_chart,
    text_chart,
    with_wilson,
)
from analysis.charts.own_look import with_built_in_look
from analysis.charts.theme import CHANCE, HIGH, LOW, PLAIN, conditional, layer_charts, separate_scales, x_at, y_at
from analysis.report import Report

WIDTH, MONTHS_PX = 1100, 555


@with_built_in_look
def lead_board(report: Report) -> alt.ConcatChart:
    """The lead's board as one chart: click a workshop, technician or brake model, or drag across months, to select.

    Parameters
    ----------
    report
        A finished audit; nothing is estimated here, and unadjusted rates are counted from the board's cells.
    """
    cells = count_cells(report)
    unread = "no returns were read: no rate"
    without_rate = f"none followed for {report.window_days} days yet" if report.has_returns else unread
    selection = build_selection(cells)
    kinds = compared_kinds(report)
    unused = [parameter for kind, parameter in selection.clicked.items() if kind not in kinds]
    bars = _bleeds_chart(cells, selection).add_params(selection.period, *unused)
    followed = bool(cells.table.get_column("followed").sum())
    rates = (
        _months_chart(report, cells, selection)
        if followed
        else text_chart(f"No rate by month: {without_rate}.", MONTHS_PX)
    )
    first = alt.hconcat(alt.vconcat(rates, bars, spacing=6), *compared(report, selection, kinds), spacing=24)
    second = [
        *moved_step_charts(report, cells, selection),
        *([share_returned_chart(report, cells, selection)] if followed else []),
    ]
    counts = month_counts_chart()
    return alt.concat(
        sentence_chart(selection, WIDTH, without_rate),
        first,
        *([alt.hconcat(*second, spacing=26)] if second else []),
        _legend_chart(cells, kinds, report.late_brake_model_notes, followed=followed),
        data=counts.data,
        transform=counts.transform,
        spacing=12,
        columns=1,
        align="none",
        params=[LETTERS, *(one.param for one in (*selection.listed, *selection.constants))],
        resolve=separate_scales("color", "shape", "y", "x"),
        datasets={CELLS: cells_text(cells)},
        title=alt.TitleParams(
            "Comebacks at a glance", subtitle=[str(figure) for figure in lead_figures(report)], fontSize=16
        ),
        description="The lead's board: comebacks by month, compared like for like, missed steps, time to a comeback",
    )


def _months_chart(report: Report, cells: CountedCells, selection: Selection) -> Any:
    rated = with_wilson(alt.Chart(), "comebacks", "followed").transform_calculate(
        state="datum.followed < datum.bleeds ? 'still open' : 'follow-up complete'",
        early=f"datum.followed_{EARLY_DAYS[1]} >= {MIN_DRAWN} ? datum.comebacks_{EARLY_DAYS[1]} / datum.followed_{EARLY_DAYS[1]} : null",
        earliest=f"datum.followed_{EARLY_DAYS[0]} > 0 ? datum.comebacks_{EARLY_DAYS[0]} / datum.followed_{EARLY_DAYS[0]} : null",
        came_back=f"datum.followed >= {MIN_DRAWN} ? datum.rate : null",
    )
    y = alt.Y("came_back:Q", axis={**PERCENT.to_dict(), "title": None}, title="came back")
    tips = [
        alt.Tooltip("month:O"), alt.Tooltip("rate:Q", format=".1%", title="came back"),
        alt.Tooltip("interval:N", title="95% interval"), alt.Tooltip("comebacks:Q"),
        alt.Tooltip("followed:Q", title="of bleeds followed"), alt.Tooltip("bleeds:Q"),
        alt.Tooltip("earliest:Q", format=".1%", title=f"back within {EARLY_DAYS[0]} days"),
        alt.Tooltip("early:Q", format=".1%", title=f"back within {EARLY_DAYS[1]} days"), alt.Tooltip("state:N"),
    ]  # fmt: skip
    early = alt.Chart().mark_line(aria=False, color=CHANCE, strokeWidth=1.2).encode(y=alt.Y("early:Q"))
    line = (
        alt.Chart()
        .transform_filter("datum.followed >= datum.bleeds")
        .mark_line(aria=False, color=PLAIN, opacity=0.7)
        .encode(y=y)
    )
    dots = alt.Chart(name="months").mark_point(size=42, strokeWidth=1.6, opacity=1, stroke=PLAIN).encode(
        y=alt.Y("came_back:Q", title="came back"),
        fill=conditional(alt.FillValue, alt.datum.state == "still open", "transparent", PLAIN),
        opacity=conditional(alt.OpacityValue, selection.period, 1, 0.25),
        tooltip=tips,
    )  # fmt: skip
    nothing = few_bleeds_layer(
        alt.Chart().transform_aggregate(most="max(followed)").transform_filter(f"datum.most < {MIN_DRAWN}")
    )
    title = alt.TitleParams(
        f"How many bleeds came back within {report.window_days} days, by month of the bleed",
        subtitle=f"thin grey line: back within {EARLY_DAYS[1]} days, an early warning; months with fewer than {MIN_DRAWN} bleeds are not drawn",
    )
    return layer_charts(
        *_control_limit_layers(report, cells),
        layer_charts(early, line, dots, nothing, shared=rated),
        shared=alt.Chart().encode(x=period_axis(cells, 0)),
        width=MONTHS_PX,
        height=150,
        title=title,
    )


def _bleeds_chart(cells: CountedCells, selection: Selection) -> Any:
    """Bleeds done in each month; a brush across them picks a period."""
    return (
        alt.Chart()
        .mark_bar(color=CHANCE)
        .encode(
            x=period_axis(cells),
            y=alt.Y("bleeds:Q", stack=None, title=None, axis=alt.Axis(tickCount=2, **SMALL)),
            opacity=conditional(alt.OpacityValue, selection.period, 0.8, 0.3),
            tooltip=[alt.Tooltip("month:O"), alt.Tooltip("bleeds:Q")],
        )
        .properties(
            width=MONTHS_PX,
            height=44,
            name="bars",
            title=alt.TitleParams("Bleeds done: drag across the bars to pick a period", fontSize=12, offset=4),
        )
    )


def _control_limit_layers(report: Report, cells: CountedCells) -> list[Any]:
    """Control limits of the chosen workshop, or of all; months out of control; where a change began; none for part of a
    workshop's work.
    """
    if cells.by_quarter:
        return []
    limits = report.months.filter(pl.col("kind").is_in(["all", "shop"]), pl.col("centre").is_not_null()).select(
        "month", "centre", "lower", "upper", "change_began", "measure",
        signal=pl.when(pl.col("signal").is_in(["high", "low"])).then("signal"), shop=pl.when(pl.col("kind") == "shop").then("group"),
    )  # fmt: skip
    applies = f"datum.shop === (shop_shop || null) && !({any_chosen_expression('shop', period=False)})"
    tips = [
        alt.Tooltip("scope:N", title="control limits (estimated) for"), alt.Tooltip("month:O"),
        alt.Tooltip("lower:Q", format=".1%"), alt.Tooltip("upper:Q", format=".1%"),
    ]  # fmt: skip
    band = (
        alt.Chart()
        .transform_calculate(scope="datum.shop ? 'all bleeds: ' + datum.shop : 'all bleeds'")
        .mark_rect(aria=False, color=CHANCE, opacity=0.22)
        .encode(y=alt.Y("lower:Q"), y2=alt.Y2("upper:Q"), tooltip=tips)
    )
    centre = alt.Chart().mark_line(aria=False, color=CHANCE, strokeDash=[4, 3]).encode(y=alt.Y("centre:Q"))
    out = (
        alt.Chart()
        .transform_filter("isValid(datum.signal)")
        .transform_calculate(edge="datum.signal === 'high' ? datum.upper : datum.lower",
                             word="datum.signal === 'high' ? '▲' : '▼'")
        .mark_text(aria=False, fontSize=11, dy=-7)
        .encode(y=alt.Y("edge:Q"), text=alt.Text("word:N"),
                color=conditional(alt.ColorValue, "datum.signal === 'high'", HIGH, LOW))
    )  # fmt: skip
    rule = alt.Chart().mark_rule(aria=False, color=HIGH, strokeDash=[2, 2], strokeWidth=1.5)
    word = alt.Chart().mark_text(aria=False, align="right", dx=-5, baseline="top", color=HIGH, fontSize=11)
    measure = (
        alt.Chart()
        .transform_filter("isValid(datum.measure)")
        .mark_rule(color=LOW, strokeWidth=2)
        .encode(tooltip=[alt.Tooltip("month:O"), alt.Tooltip("measure:N", title="change in the workshop")])
    )
    return [
        layer_charts(band, centre, measure, out, shared=_rows_chart(limits.drop("change_began"), applies)),
        layer_charts(
            rule, word.encode(y=y_at(2), text=alt.Text("words:N")), shared=_rows_chart(_change_labels(limits), applies)
        ),
    ]


def _rows_chart(table: pl.DataFrame, test: str) -> alt.Chart:
    """A chart of the rows that meet the test."""
    return alt.Chart(inline_data(table.to_dicts())).transform_filter(test)


def _change_labels(limits: pl.DataFrame) -> pl.DataFrame:
    """Where a change began, in words: of each workshop, and of all work with the workshops' names in one line."""
    began = limits.filter("change_began")
    months = began.get_column("month").unique()
    words = pl.format("change, {}", pl.col("month").replace({month: period_name(month) for month in months}))
    shops = pl.col("shop").drop_nulls().unique().sort().str.join(", ")
    every = began.group_by("month", maintain_order=True).agg(shops.alias("shops"))
    with_shops = pl.when(pl.col("shops") == "").then(words).otherwise(pl.format("{}: {}", "shops", words))
    return pl.concat(
        [
            every.select("month", shop=pl.lit(None, pl.String), words=with_shops),
            began.drop_nulls("shop").select("month", "shop", words=words),
        ]
    )


def _legend_chart(cells: CountedCells, kinds: list[str], notes: tuple[str, ...], *, followed: bool) -> Any:
    """The one legend of the board: what is counted in the selection and what the audit estimated."""
    words = [f"Counted from the selected bleeds: {'● follow-up complete, ○ still open, ' if followed else ''}■ bleeds."]
    if followed and kinds:
        words.append(
            "Estimated by the audit: grey band, control limits; ▲ clearly more, ▼ clearly fewer, ◆ no clear difference; hollow ratios: "
            "the whole group."
        )
    words += notes
    if cells.by_quarter:
        words.append("Months are grouped into quarters because the log is large.")
    if cells.merged:
        words.append("Names with the fewest bleeds are grouped as “others”.")
    rows = [{"text": text, "row": row} for row, text in enumerate(words)]
    return (
        alt.Chart(inline_data(rows), name="legend", width=WIDTH, height=16 * len(rows))
        .mark_text(align="left", fontSize=11, baseline="top")
        .encode(text=alt.Text("text:N"), x=x_at(0), y=alt.Y("row:O", axis=None))
    )
