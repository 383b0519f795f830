"""The lead's board: months, comparisons on the same work, missed steps and how soon bleeds come back, linked."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.boards.board_cells import EARLY_DAYS, CountedCells, counted_cells
from analysis.boards.figures import lead_figures, no_returns
from analysis.boards.selection import (
    CELLS,
    MISSES,
    Selection,
    all_cells,
    any_chosen,
    cell_rows,
    counted,
    inline_data,
    selected_cells,
    selection_of,
    sentence_chart,
    with_wilson,
)
from analysis.charts.own_look import with_own_look
from analysis.charts.theme import CHANCE, HIGH, LOW, PLAIN, SIGNAL_LABELS, layer_charts
from analysis.report import Report
from schemas.intermediate import CELL_STEPS

WIDTH, MONTHS_PX, GROUP_PX, STEP_PX, SOON_PX = 1170, 555, 175, 228, 200
MIN_DRAWN = 5
"""Followed bleeds of a month below which its rate is not drawn: one bleed would move it by a fifth."""
MAX_GROUPS, MAX_RATIO, ROW_PX = 16, 4.0, 16
MOVED = 3
SMALL: Any = {"labelFontSize": 11, "titleFontSize": 11}
PERCENT = alt.Axis(format=".0%", tickCount=4, **SMALL)


@with_own_look
def lead_board(report: Report) -> alt.ConcatChart:
    """The lead's board, one chart: click a workshop, technician or brake model, or drag across months, to select.

    Parameters
    ----------
    report
        What the audit found; nothing is estimated here, crude rates are counted from the board's cells.
    """
    cells = counted_cells(report)
    unread = "no returns were read: no rate"
    without_rate = unread if no_returns(report) else f"none followed for {report.window_days} days yet"
    selection = selection_of(cells)
    compared = [_groups(report, selection, kind) for kind in ("shop", "brake_model", "technician")]
    first = alt.hconcat(
        _months(report, cells, selection), alt.vconcat(*compared[:2], spacing=14), compared[2], spacing=24
    )
    second = alt.hconcat(*_moved_steps(report, cells, selection), _how_soon(report, selection), spacing=26)
    board = alt.concat(
        sentence_chart(selection, WIDTH, without_rate),
        first,
        second,
        _legend(cells),
        spacing=12,
        columns=1,
        align="none",
    ).add_params(*selection.listed, *selection.constants)
    return board.resolve_scale(color="independent", shape="independent", y="independent", x="independent").properties(
        datasets={CELLS: cell_rows(cells)},
        title=alt.TitleParams(
            "Comebacks at a glance", subtitle=[str(figure) for figure in lead_figures(report)], fontSize=16
        ),
        description="The lead's board: comebacks by month, compared on the same work, missed steps, time to a comeback",
    )


def _periods(cells: CountedCells, labels: int = 8) -> alt.X:
    """The months, every one a band; about `labels` of them labelled, none where `labels` is 0."""
    if not labels:
        blank = alt.Axis(labels=False, ticks=False, domain=False, title=None)
        return alt.X("month:O", scale=alt.Scale(domain=cells.periods, padding=0.1), axis=blank)
    every = max(1, -(-len(cells.periods) // labels))
    visible = f"indexof(periods, datum.value) % {every} == 0 ? datum.value : ''"
    axis = alt.Axis(labelAngle=0, labelExpr=visible, labelOverlap=False, ticks=False, title=None, **SMALL)
    return alt.X("month:O", scale=alt.Scale(domain=cells.periods, padding=0.1), axis=axis)


def _months(report: Report, cells: CountedCells, selection: Selection) -> Any:
    base = counted(selected_cells(selection, period=False), ["month"])
    rated = with_wilson(base, "comebacks", "followed").transform_calculate(
        state="datum.followed < datum.bleeds ? 'still open' : 'followed to the end'",
        early=f"datum.followed_{EARLY_DAYS[1]} >= {MIN_DRAWN} ? datum.comebacks_{EARLY_DAYS[1]} / datum.followed_{EARLY_DAYS[1]} : null",
        earliest=f"datum.followed_{EARLY_DAYS[0]} > 0 ? datum.comebacks_{EARLY_DAYS[0]} / datum.followed_{EARLY_DAYS[0]} : null",
        plotted_rate=f"datum.followed >= {MIN_DRAWN} ? datum.rate : null",
    )
    x = _periods(cells)
    y = alt.Y("plotted_rate:Q", axis=PERCENT, title=None)
    tips = [
        alt.Tooltip("month:O", title="month"), alt.Tooltip("rate:Q", format=".1%", title="came back"),
        alt.Tooltip("interval:N", title="95% interval"), alt.Tooltip("comebacks:Q", title="comebacks"),
        alt.Tooltip("followed:Q", title="of bleeds followed"), alt.Tooltip("bleeds:Q", title="bleeds"),
        alt.Tooltip("earliest:Q", format=".1%", title=f"back within {EARLY_DAYS[0]} days"),
        alt.Tooltip("early:Q", format=".1%", title=f"back within {EARLY_DAYS[1]} days"), alt.Tooltip("state:N", title="state"),
    ]  # fmt: skip
    upper = _periods(cells, 0)
    early = rated.mark_line(aria=False, color=CHANCE, strokeWidth=1.2).encode(x=upper, y=alt.Y("early:Q"))
    line = (
        rated.transform_filter("datum.followed >= datum.bleeds")
        .mark_line(aria=False, color=PLAIN, opacity=0.7)
        .encode(x=upper, y=y)
    )
    dots = rated.mark_point(size=42, strokeWidth=1.6, opacity=1, stroke=PLAIN).encode(
        x=upper,
        y=y,
        fill=alt.condition(alt.datum.state == "still open", alt.value("transparent"), alt.value(PLAIN)),
        opacity=alt.condition(selection.period, alt.value(1), alt.value(0.25)),
        tooltip=tips,
    )
    title = alt.TitleParams(
        f"How many bleeds came back within {report.window_days} days, by month of the bleed",
        subtitle=f"thin grey line: back within {EARLY_DAYS[1]} days, an early warning",
    )
    rates = layer_charts(*_limits(report, cells, upper), early, line, dots.properties(name="months")).properties(
        width=MONTHS_PX, height=150, title=title
    )
    bars = (
        base.mark_bar(color=CHANCE)
        .encode(
            x=x,
            y=alt.Y("bleeds:Q", title=None, axis=alt.Axis(tickCount=2, **SMALL)),
            opacity=alt.condition(selection.period, alt.value(0.8), alt.value(0.3)),
            tooltip=[alt.Tooltip("month:O", title="month"), alt.Tooltip("bleeds:Q", title="bleeds")],
        )
        .properties(width=MONTHS_PX, height=44, name="bars")
        .add_params(selection.period)
        .properties(title=alt.TitleParams("Bleeds done: drag across the bars to pick a period", fontSize=12, offset=4))
    )
    return alt.vconcat(rates, bars, spacing=6)


def _limits(report: Report, cells: CountedCells, x: alt.X) -> list[Any]:
    """Control limits of the chosen workshop, or of all; months out of control; where a change began."""
    if cells.by_quarter:
        return []
    words = pl.when(pl.col("kind") == "all").then(pl.lit("all work")).otherwise(pl.format("all work of {}", "group"))
    limits = report.months.filter(pl.col("kind").is_in(["all", "shop"]), pl.col("centre").is_not_null()).select(
        "month", "centre", "lower", "upper", "signal", "change_began", "measure", scope=words,
        key=pl.when(pl.col("kind") == "all").then(pl.lit("")).otherwise("group"),
    )  # fmt: skip
    base = alt.Chart(inline_data(limits.to_dicts())).transform_filter("datum.key === (shop_shop || '')")
    narrow = any_chosen("shop", period=False)
    tips = [
        alt.Tooltip("scope:N", title="control limits (estimated) for"), alt.Tooltip("month:O", title="month"),
        alt.Tooltip("lower:Q", format=".1%", title="lower"), alt.Tooltip("upper:Q", format=".1%", title="upper"),
    ]  # fmt: skip
    strength = alt.condition(narrow, alt.value(0.1), alt.value(0.22))
    band = base.mark_rect(aria=False, color=CHANCE).encode(
        x=x, y=alt.Y("lower:Q"), y2=alt.Y2("upper:Q"), opacity=strength, tooltip=tips
    )
    centre = base.mark_line(aria=False, color=CHANCE, strokeDash=[4, 3]).encode(x=x, y=alt.Y("centre:Q"))
    out = (
        base.transform_filter("datum.signal === 'high' || datum.signal === 'low'")
        .transform_calculate(edge="datum.signal === 'high' ? datum.upper : datum.lower",
                             word="datum.signal === 'high' ? '▲' : '▼'")
        .mark_text(aria=False, fontSize=11, dy=-7)
        .encode(x=x, y=alt.Y("edge:Q"), text="word:N", opacity=alt.condition(narrow, alt.value(0), alt.value(1)),
                color=alt.condition("datum.signal === 'high'", alt.value(HIGH), alt.value(LOW)))
    )  # fmt: skip
    began = base.transform_filter("datum.change_began")
    rule = began.mark_rule(aria=False, color=HIGH, strokeDash=[2, 2], strokeWidth=1.5).encode(x=x)
    word = began.mark_text(aria=False, align="right", dx=-5, baseline="top", color=HIGH, fontSize=11).encode(
        x=x, y=alt.value(2), text=alt.value("a change began here")
    )
    changed = base.transform_filter("isValid(datum.measure)")
    measure = changed.mark_rule(color=LOW, strokeWidth=2).encode(
        x=x, tooltip=[alt.Tooltip("month:O", title="month"), alt.Tooltip("measure:N", title="change in the workshop")]
    )
    return [band, centre, rule, word, measure, out]


def _groups(report: Report, selection: Selection, kind: str) -> Any:
    """Observed over expected comebacks of each group on the same work, with its interval: estimated by the audit."""
    titles = {
        "shop": "Workshops, on the same work",
        "brake_model": "Brake models, on the same work",
        "technician": "Technicians, on the same work",
    }
    rates = report.rates.filter(pl.col("kind") == kind, pl.col("ratio_lo").is_not_null())
    clear = pl.col("signal").is_in(["high", "low"])
    rates = rates.sort(~clear, "sessions", "group", descending=[False, True, False])
    left_out = max(rates.height - MAX_GROUPS, 0)
    rows = rates.head(MAX_GROUPS).sort("ratio", "group", descending=[True, False]).select(
        "ratio", "ratio_lo", "ratio_hi", "comebacks", "expected", "mature", "signal", pl.col("group").alias(kind),
        word=pl.col("signal").replace_strict(SIGNAL_LABELS),
        interval=pl.format("{} to {}", pl.col("ratio_lo").round(2), pl.col("ratio_hi").round(2)),
        scope=pl.format("all work of {}", "group"),
    )  # fmt: skip
    scale = alt.Scale(domain=[0, _top(report)], clamp=True, nice=False)
    base = alt.Chart(inline_data(rows.to_dicts()), width=GROUP_PX, height=ROW_PX * max(rows.height, 1)).encode(
        y=alt.Y(f"{kind}:N", sort=None, title=None, axis=alt.Axis(ticks=False, domain=False, labelLimit=90, **SMALL))
    )
    axis = alt.Axis(values=list(range(int(_top(report)) + 1)), format="d", labelOverlap=False, **SMALL)
    label = "comebacks for each one expected" if kind != "shop" else None
    one = (
        alt.Chart(inline_data([{"x": 1}]))
        .mark_rule(aria=False, color=CHANCE, strokeDash=[4, 3])
        .encode(x=alt.X("x:Q", scale=scale, axis=axis, title=label))
    )
    rules = base.mark_rule(aria=False, color=CHANCE, strokeWidth=1.5).encode(
        x=alt.X("ratio_lo:Q", scale=scale, axis=axis, title=label), x2=alt.X2("ratio_hi:Q")
    )
    picked = selection.clicked[kind]
    colour = f"datum.signal === 'high' ? '{HIGH}' : datum.signal === 'low' ? '{LOW}' : '{CHANCE}'"
    hollow = any_chosen(kind)
    dots = (
        base.transform_calculate(colour=colour)
        .mark_point(size=64, strokeWidth=1.6)
        .encode(
            x=alt.X("ratio:Q", scale=scale, axis=axis, title=label),
            shape=alt.Shape(
                "signal:N",
                scale=alt.Scale(
                    domain=["high", "low", "none", "too_few"],
                    range=["triangle-up", "triangle-down", "diamond", "diamond"],
                ),
                legend=None,
            ),
            stroke=alt.Stroke("colour:N", scale=None),
            fill=alt.Fill("colour:N", scale=None),
            fillOpacity=alt.condition(hollow, alt.value(0), alt.value(1)),
            opacity=alt.condition(picked, alt.value(1), alt.value(0.35)),
            tooltip=[
                alt.Tooltip("scope:N", title="estimated for"), alt.Tooltip("ratio:Q", format=".2f", title="observed / expected"),
                alt.Tooltip("interval:N", title="95% interval"), alt.Tooltip("comebacks:Q", title="comebacks"),
                alt.Tooltip("expected:Q", format=".1f", title="expected on the same work"),
                alt.Tooltip("mature:Q", title="of bleeds followed"), alt.Tooltip("word:N", title="in words"),
            ],
        )
        .properties(name=f"{kind}_dots")
        .add_params(picked)
    )  # fmt: skip
    title = titles[kind] + (f" ({left_out} with fewer bleeds not shown)" if left_out else "")
    return layer_charts(one, rules, dots).properties(title=title)


def _top(report: Report) -> float:
    """The end of the axis of ratios, the same for all groups."""
    highest = (
        report.rates.filter(pl.col("kind").is_in(["shop", "technician", "brake_model"])).get_column("ratio_hi").max()
    )
    return min(max(float(highest or 2.0), 2.0), MAX_RATIO)  # type: ignore[arg-type]


def _moved_steps(report: Report, cells: CountedCells, selection: Selection) -> list[Any]:
    """Share missed by month of the three steps that moved most in the selection: one small chart for each."""
    titles = {step.id: step.missed_title for step in report.standard.steps}
    names = alt.param(name="missed_titles", value=[titles.get(step, step) for step in cells.steps])
    numbered = counted(selected_cells(selection, period=False), ["month"], MISSES).transform_fold(
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
    charts = [_moved_step(shares, cells, selection, place) for place in range(1, min(MOVED, len(cells.steps)) + 1)]
    if charts:
        charts[0] = charts[0].add_params(names)
    if not charts:
        return []
    title = alt.TitleParams("The three missed steps that moved most, as a share of bleeds", offset=22)
    return [alt.hconcat(*charts, spacing=16).resolve_scale(y="shared").properties(title=title)]


def _moved_step(shares: alt.Chart, cells: CountedCells, selection: Selection, place: int) -> Any:
    own = with_wilson(shares.transform_filter(f"datum.place === {place}"), "missed", "recorded").transform_calculate(
        title="missed_titles[datum.at - 1]"
    )
    x, y = _periods(cells, 4), alt.Y("share:Q", axis=PERCENT, title=None)
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
    name = (
        own.transform_aggregate(n="count()", groupby=["title"])
        .mark_text(aria=False, align="left", baseline="top", fontSize=11, fontWeight="bold", limit=STEP_PX + 30)
        .encode(text="title:N", x=alt.value(2), y=alt.value(-16))
    )
    return layer_charts(line, dots, name).properties(width=STEP_PX, height=110, name=f"moved_{place}")


def _how_soon(report: Report, selection: Selection) -> Any:
    """The share that had come back by day 14, 30 and the end of the window: the selection and all bleeds."""
    days = [day for day in EARLY_DAYS if day < report.window_days]

    def curve(chart: alt.Chart) -> alt.Chart:
        shares = {
            f"by_{day}": f"datum.followed_{day} > 0 ? datum.comebacks_{day} / datum.followed_{day} : null"
            for day in days
        }
        total = counted(chart, []).transform_calculate(
            by_0="0", by_end="datum.followed > 0 ? datum.comebacks / datum.followed : null", **shares
        )
        at = {"by_0": 0, "by_end": report.window_days, **{f"by_{day}": day for day in days}}
        place = " : ".join(f"datum.key === '{name}' ? {day}" for name, day in at.items()) + " : 0"
        n = (
            "datum.key === 'by_end' ? datum.followed : "
            + "".join(f"datum.key === 'by_{day}' ? datum.followed_{day} : " for day in days)
            + "datum.bleeds"
        )
        return total.transform_fold(list(at), as_=["key", "share"]).transform_calculate(day=place, n=n)

    x = alt.X("day:Q", axis=alt.Axis(values=[0, *days, report.window_days], **SMALL), title="days since the bleed")
    y = alt.Y("share:Q", axis=PERCENT, title=None)
    tips = [
        alt.Tooltip("day:Q", title="by day"), alt.Tooltip("share:Q", format=".1%", title="came back"),
        alt.Tooltip("n:Q", title="of bleeds followed so long"),
    ]  # fmt: skip
    every, own = curve(all_cells()), curve(selected_cells(selection, period=True))
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
    return layer_charts(*lines, *words).properties(
        width=SOON_PX, height=110, name="how_soon", title=alt.TitleParams("How soon they came back", offset=22)
    )


def _legend(cells: CountedCells) -> Any:
    """The one legend of the board: what is counted in the selection and what the audit estimated."""
    words = [
        "Counted in the selection: ● followed to the end   ○ still open   ■ bleeds",
        "Estimated by the audit: grey band, control limits   ▲ clearly more   ▼ clearly fewer   ◊ no clear difference   "
        "hollow: for all work of that name, not for the selection alone",
    ]
    if cells.by_quarter:
        words.append("Months are put together as quarters: the log is large.")
    if cells.merged:
        words.append("Names with the fewest bleeds are together as “others”.")
    rows = [{"text": text, "row": row} for row, text in enumerate(words)]
    return (
        alt.Chart(inline_data(rows), name="legend", width=WIDTH, height=16 * len(rows))
        .mark_text(align="left", fontSize=11, baseline="top")
        .encode(text="text:N", x=alt.value(0), y=alt.Y("row:O", axis=None))
    )
