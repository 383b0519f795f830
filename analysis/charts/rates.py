"""Comeback rates: by group, compared with the same work, by day since the bleed; and the bleeds to recall."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.charts.chart_tables import (
    HOLD_COLUMNS,
    HOLD_STATES,
    Source,
    hold_counts_text,
    hold_rows,
    require_one_group,
    table_from_source,
    with_columns,
)
from analysis.charts.own_look import with_built_in_look
from analysis.charts.theme import (
    AT_TOP,
    CHANCE,
    DETAIL_WIDTH,
    HIGH,
    NARROW,
    PERCENT,
    PLAIN,
    ROW_PX,
    SIGNAL_COLOURS,
    SIGNAL_LABELS,
    SIGNAL_MARKS,
    UNTITLED,
    WIDTH,
    click_selection,
    conditional,
    interval_rule,
    layer_charts,
    rows_height,
    selected_name,
    vertical_line,
    wrap_column,
)
from analysis.errors import UserError
from analysis.report import Report

RATE_AXIS = {**PERCENT, "title": "came back within the window"}
RATIO_AXIS = {
    "title": "observed / expected comebacks\n(grey: expected by chance)",
    "tickCount": 8,
    "format": ".2~f",
}
MAX_GROUPS = 60
"""Rows of a chart: more cannot be read, and thousands take minutes to draw."""
CURVE_POINTS = 200
MAX_MARKS = 600
"""Recalls up to which each has a mark of its own."""
DAY = "utcyearmonthdate(day):T"
"""A day as text: read and written in one time zone, so that a picture is the same everywhere."""
BLEED_TOOLTIP = [
    alt.Tooltip("session_id:N", title="job"),
    alt.Tooltip(DAY, title="day", format="%Y-%m-%d"),
    alt.Tooltip("shop:N", title="workshop"),
    alt.Tooltip("state:N", title="state"),
]
MONTH_TOOLTIP = [
    alt.Tooltip("bleeds:Q", title="bleeds", format=",d"),
    alt.Tooltip(DAY, title="month from", format="%Y-%m-%d"),
    alt.Tooltip("state:N", title="state"),
]


def select_groups(rates: pl.DataFrame) -> pl.DataFrame:
    """The groups that a chart has room for, in table order; groups with a signal take precedence, then those with the most bleeds.

    Parameters
    ----------
    rates
        `schemas.outputs.Rates` of one kind.
    """
    if rates.height <= MAX_GROUPS:
        return rates
    ranked = rates.with_row_index("row").with_columns(signalled=pl.col("signal").is_in(["high", "low"]))
    selected = ranked.sort("signalled", "mature", "row", descending=[True, True, False], nulls_last=True)
    return selected.head(MAX_GROUPS).sort("row").drop("row", "signalled")


def truncation_note(rows: int, all_rows: int, which: str) -> str:
    """Which rows a chart shows if it does not show all; otherwise empty."""
    return f"{rows} of {all_rows:,}: {which}" if rows < all_rows else ""


@with_built_in_look
def rate_dots(rates: Source, kind_label: str) -> alt.LayerChart | alt.FacetChart:
    """One row per group, by name: its rate with the 95% interval, marked by its signal.

    Parameters
    ----------
    rates
        Rows of `schemas.outputs.Rates` of one kind; from a report, the kind with that label is taken.
    kind_label
        What the groups are, in the trade's words.
    """
    rows = _label_groups(_select_one_kind(rates, kind_label).filter(pl.col("rate").is_not_null()))
    words = "; ".join(f"{group} {rate:.1%}" for group, rate in rows.select("group", "rate").head(12).iter_rows())
    base = _base_chart(rows, NARROW, kind_label)
    interval = interval_rule(base, "rate_lo", "rate_hi", RATE_AXIS)
    dots = _signal_dots(base, alt.X("rate:Q", title="rate", axis=RATE_AXIS), kind_label)
    return layer_charts(interval, dots).properties(
        description=f"Comeback rate by {kind_label} with 95% intervals: {words}"
    )


@with_built_in_look
def ratio_dots(rates: Source, kind_label: str) -> alt.LayerChart | alt.FacetChart:
    """One row per group, by name: observed / expected comebacks for the same mix of work; the range expected by chance is grey.

    Parameters
    ----------
    rates
        Rows of `schemas.outputs.Rates` of one kind; from a report, the kind with that label is taken.
    kind_label
        What the groups are, in the trade's words.
    """
    rows = _select_comparable(_select_one_kind(rates, kind_label))
    return _ratio_chart(rows, kind_label).properties(description=_ratio_description(rows, kind_label))


@with_built_in_look
def ratio_board(
    rates: Source, detail: pl.DataFrame, kind_label: str, detail_label: str, first: str | None = None
) -> alt.HConcatChart:
    """`ratio_dots` next to the selected group's mix of work: its shares as dots, everyone's as ticks.

    Parameters
    ----------
    rates
        `schemas.outputs.Rates` of one kind.
    detail
        Columns group, what (row label), place (row order), n, of, share (n / of, the group's share of `what`) and share_all
        (everyone's).
    kind_label, detail_label
        What the groups are, and what the shares refer to.
    first
        The group selected at the start.
    """
    rows = _select_comparable(_select_one_kind(rates, kind_label))
    names = rows.get_column("group").to_list()
    selection = click_selection("group", names, first, kind_label)
    right = _detail_chart(detail.filter(pl.col("group").is_in(names)), selection, kind_label, detail_label)
    description = (
        f"{_ratio_description(rows, kind_label)}. On the right, for the {kind_label} you choose: {detail_label}"
    )
    return alt.hconcat(_ratio_chart(rows, kind_label, selection), right, spacing=24).properties(description=description)


def _detail_chart(
    detail: pl.DataFrame, selection: alt.Parameter, kind_label: str, detail_label: str
) -> alt.LayerChart | alt.FacetChart:
    height = ROW_PX * max(detail.get_column("what").n_unique(), 1)
    data = alt.Chart(detail, width=DETAIL_WIDTH, height=height)
    base = data.transform_filter(selection).encode(
        y=alt.Y("what:N", title="kind", sort=alt.EncodingSortField("place"), axis=UNTITLED)
    )
    everyone = "all technicians" if kind_label == "technician" else "all models"
    axis = {**PERCENT, "title": f"{detail_label}\n(tick: {everyone})"}
    dots = base.mark_point(filled=True, size=80, opacity=1, color=PLAIN).encode(
        x=alt.X("share:Q", title="this group's share", axis=axis, scale=alt.Scale(domain=[0, 1])),
        tooltip=[
            alt.Tooltip("group:N", title=kind_label),
            alt.Tooltip("what:N", title="kind"),
            alt.Tooltip("n:Q", title="bleeds of this group", format=",d"),
            alt.Tooltip("of:Q", title="of", format=",d"),
            alt.Tooltip("share_all:Q", title=f"share of {everyone}", format=".0%"),
        ],
    )
    ticks = base.mark_tick(color=CHANCE, thickness=2, size=14, aria=False).encode(
        x=alt.X("share_all:Q", title=f"share of {everyone}", axis=axis)
    )
    return layer_charts(ticks, dots, selected_name(selection, data, "group", kind_label))


def _ratio_chart(
    rows: pl.DataFrame, kind_label: str, selection: alt.Parameter | None = None
) -> alt.LayerChart | alt.FacetChart:
    base = _base_chart(rows, WIDTH, kind_label)
    chance = base.mark_bar(color=CHANCE, opacity=0.28, height=ROW_PX - 8, aria=False).encode(
        x=alt.X("funnel_lo:Q", title="expected by chance, low", axis=RATIO_AXIS),
        x2=alt.X2("funnel_hi:Q", title="expected by chance, high"),
    )
    width = None if selection is None else conditional(alt.StrokeWidthValue, selection, 5, 2)
    interval = interval_rule(base, "ratio_lo", "ratio_hi", RATIO_AXIS, width)
    dots = _signal_dots(base, alt.X("ratio:Q", title="observed / expected", axis=RATIO_AXIS), kind_label)
    return layer_charts(
        chance, vertical_line(1.0, RATIO_AXIS), interval, dots if selection is None else dots.add_params(selection)
    )


def _base_chart(rows: pl.DataFrame, width: int, kind_label: str) -> alt.Chart:
    chart = alt.Chart(rows, width=width, height=ROW_PX * max(rows.height, 1))
    return chart.encode(y=alt.Y("label:N", title=kind_label, axis=UNTITLED))


def _signal_dots(base: alt.Chart, x: alt.X, kind_label: str) -> alt.Chart:
    signal: dict[str, Any] = {"title": "difference", "legend": UNTITLED}
    return base.mark_point(filled=True, size=80, opacity=1).encode(
        x=x,
        color=alt.Color("comparison:N", scale=SIGNAL_COLOURS, **signal),
        shape=alt.Shape("comparison:N", scale=SIGNAL_MARKS, **signal),
        tooltip=[
            alt.Tooltip("group:N", title=kind_label),
            alt.Tooltip("rate:Q", title="rate", format=".1%"),
            alt.Tooltip("comebacks:Q", title="came back", format=",d"),
            alt.Tooltip("expected:Q", title="expected", format=".1f"),
            alt.Tooltip("mature:Q", title="bleeds followed", format=",d"),
            alt.Tooltip("comparison:N", title="difference"),
        ],
    )


def _select_one_kind(rates: Source, kind_label: str) -> pl.DataFrame:
    table = table_from_source(rates, "rates")
    if isinstance(rates, Report):
        kind = "shop" if kind_label == "workshop" else kind_label.replace(" ", "_")
        table = table.filter(pl.col("kind") == kind)
    return require_one_group(table, ("kind",), "rates")


def _select_comparable(rates: pl.DataFrame) -> pl.DataFrame:
    return _label_groups(rates.filter(pl.col("ratio").is_not_null(), pl.col("ratio_lo").is_not_null()))


def _ratio_description(rows: pl.DataFrame, kind_label: str) -> str:
    words = "; ".join(f"{group} {ratio:.2f}" for group, ratio in rows.select("group", "ratio").head(20).iter_rows())
    return f"Observed / expected comebacks by {kind_label}: {words}"


def _label_groups(rates: pl.DataFrame) -> pl.DataFrame:
    return select_groups(rates).select(
        "group", "rate", "rate_lo", "rate_hi", "ratio", "ratio_lo", "ratio_hi", "funnel_lo", "funnel_hi", "expected",
        "mature", "comebacks",
        comparison=pl.col("signal").replace_strict(SIGNAL_LABELS),
        label=pl.format("{}  (n {})", "group", "mature"),
    )  # fmt: skip


@with_built_in_look
def incidence_curve(incidence: Source, window_days: int | None = None) -> alt.LayerChart | alt.FacetChart:
    """Share of bleeds that came back by each day, with its 95% band and the window marked.

    Parameters
    ----------
    incidence
        `schemas.intermediate.Incidence`.
    window_days
        Where the window ends; not needed with a report.

    Raises
    ------
    UserError
        A table was given without its window.
    """
    if window_days is None:
        if not isinstance(incidence, Report):
            raise UserError("incidence_curve", "no window was given", "a report, or the window in days", "give either")
        window_days = incidence.window_days
    incidence = table_from_source(incidence, "incidence")
    rows = incidence.select("day", "at_risk", "incidence", "lo", "hi").filter(
        pl.col("day") <= max(4 * window_days, 120)
    )
    days = {"title": "days since the bleed"}
    base = alt.Chart(_thin_curve(rows), width=WIDTH, height=220).encode(x=alt.X("day:Q", title="day", axis=days))
    axis = {**PERCENT, "title": "came back (cumulative %)"}
    band = base.mark_area(opacity=0.3, color=CHANCE, interpolate="step-after", aria=False).encode(
        y=alt.Y("lo:Q", title="from", axis=axis), y2=alt.Y2("hi:Q", title="to")
    )
    line = base.mark_line(color=PLAIN, interpolate="step-after").encode(
        y=alt.Y("incidence:Q", title="came back", axis=axis),
        tooltip=[
            alt.Tooltip("day:Q", title="day", format="d"),
            alt.Tooltip("incidence:Q", title="came back", format=".1%"),
            alt.Tooltip("at_risk:Q", title="bleeds still followed", format=",d"),
        ],
    )
    end = alt.Chart(pl.DataFrame({"day": [window_days], "label": ["window"]})).encode(
        x=alt.X("day:Q", title="day", axis=days)
    )
    rule = end.mark_rule(strokeDash=[4, 3], color=CHANCE, aria=False)
    text = alt.Text("label:N", title="mark")
    label = end.mark_text(align="left", dx=4, baseline="top", color=CHANCE).encode(text=text, y=AT_TOP)
    return layer_charts(band, line, rule, label).properties(description=_incidence_description(incidence, window_days))


@with_built_in_look
def holds_by_day(holds: Source) -> alt.Chart:
    """Each bleed to recall, on the day it was done, by reason; closed recalls in grey. If there are many, they are grouped by month.

    Parameters
    ----------
    holds
        A report, or columns day, hold (in words), session_id, shop, state (`to recall`, `to measure again` or `closed
        since`).
    """
    holds = (
        hold_rows(holds)
        if isinstance(holds, Report)
        else with_columns(holds, HOLD_COLUMNS, "the report: the days of the bleeds are in its log")
    )
    states = list(HOLD_STATES)
    many = holds.height > MAX_MARKS
    labelled = holds.with_columns(label=wrap_column("hold"))
    rows = _count_by_month(labelled) if many else labelled
    rows = rows.with_columns(pl.col("day").cast(pl.Date).cast(pl.String))
    chart = alt.Chart(rows, width=WIDTH, height=max(rows_height(labelled.get_column("label")), 38))
    by = "month, larger where there are more" if many else "day"
    days = {"title": f"by {by}" if many else None, "format": "%Y-%m", "tickCount": 4}
    state: dict[str, Any] = {"title": "state", "legend": UNTITLED}
    return (
        chart.mark_point(filled=True, opacity=0.85)
        .encode(
            x=alt.X(DAY, title="month", axis=days),
            y=alt.Y("label:N", title="reason", axis=UNTITLED),
            color=alt.Color("state:N", scale=alt.Scale(domain=states, range=[HIGH, PLAIN, CHANCE]), **state),
            shape=alt.Shape(
                "state:N", scale=alt.Scale(domain=states, range=["triangle-up", "diamond", "circle"]), **state
            ),
            size=alt.Size("bleeds:Q", title="bleeds", legend=None) if many else alt.SizeValue(70),
            tooltip=MONTH_TOOLTIP if many else BLEED_TOOLTIP,
        )
        .properties(description=f"Bleeds that broke a safety rule by {by}: {hold_counts_text(holds)}")
    )


def _count_by_month(holds: pl.DataFrame) -> pl.DataFrame:
    by = holds.group_by(pl.col("day").dt.truncate("1mo"), "label", "state").agg(bleeds=pl.len())
    return by.sort("day", "label", "state")


def _thin_curve(curve: pl.DataFrame) -> pl.DataFrame:
    return curve if curve.height <= CURVE_POINTS else curve.gather_every(curve.height // CURVE_POINTS + 1)


def _incidence_description(incidence: pl.DataFrame, window_days: int) -> str:
    within = incidence.filter(pl.col("day") <= window_days)
    if within.is_empty():
        return "Share of bleeds that came back by day: none followed yet"
    return f"Share of bleeds that came back by day: {within.get_column('incidence')[-1]:.1%} by day {window_days}"
