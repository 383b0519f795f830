"""Month by month: the rate within its control limits, and the CUSUM charts with theirs."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.charts.chart_tables import Source, require_one_group, table_from_source
from analysis.charts.own_look import with_built_in_look
from analysis.charts.theme import AT_TOP, CHANCE, HIGH, LOW, PERCENT, PLAIN, WIDTH, conditional, layer_charts
from analysis.report import Report

MAX_LABELS = 7
RATE_AXIS = {**PERCENT, "title": "came back"}
CUSUM_AXIS = {"title": "CUSUM", "format": ".2~f"}
SIDES = ["getting worse", "getting better"]


@with_built_in_look
def months_line(months: Source) -> alt.LayerChart | alt.FacetChart:
    """One group's rate by month with its control limits; months with incomplete follow-up are hollow.

    Parameters
    ----------
    months
        Rows of `schemas.outputs.Months` for one group; from a report, all bleeds.
    """
    months = _select_one_group(months)
    complete = pl.col("mature") == pl.col("sessions")
    state = pl.when(complete).then(pl.lit("followed")).otherwise(pl.lit("follow-up not complete"))
    rows = months.filter(pl.col("rate").is_not_null()).with_columns(state=state)
    base = alt.Chart(rows, width=WIDTH, height=210).encode(x=_month_axis(rows))
    rate = alt.Y("rate:Q", title="came back", axis=RATE_AXIS)
    followed = rows.filter(pl.col("state") == "followed")
    line = [_replace_rows(base, followed).mark_line(color=PLAIN, opacity=0.6, aria=False).encode(y=rate)]
    dots = base.mark_point(size=60, opacity=1, strokeWidth=1.6).encode(
        y=rate,
        fill=conditional(alt.FillValue, alt.datum.state == "followed", PLAIN, "transparent"),
        stroke=alt.StrokeValue(PLAIN),
        tooltip=[
            alt.Tooltip("month:O", title="month"),
            alt.Tooltip("rate:Q", title="came back", format=".1%"),
            alt.Tooltip("comebacks:Q", title="comebacks", format=",d"),
            alt.Tooltip("mature:Q", title="bleeds followed", format=",d"),
            alt.Tooltip("sessions:Q", title="all bleeds", format=",d"),
            alt.Tooltip("state:N", title="state"),
        ],
    )
    limits = _control_limit_layers(base) if rows.get_column("centre").count() else []
    lines = line if followed.height else []
    return layer_charts(
        *limits, *lines, dots, *_signal_marks(rows, base), *_change_marks(months), *_measure_marks(months)
    ).properties(description=_months_description(months))


@with_built_in_look
def cusum_lines(months: Source) -> alt.LayerChart | alt.FacetChart:
    """The two CUSUMs of one group, one for a rise and one for a fall, each with the limit at which it signals.

    Parameters
    ----------
    months
        Rows of `schemas.outputs.Months` for one group; from a report, all bleeds.
    """
    months = _select_one_group(months)
    rows_with_cusum = months.filter(pl.col("cusum_up").is_not_null())
    rows = pl.concat(
        rows_with_cusum.select("month", side=pl.lit(side), sum=total, limit=limit)
        for side, total, limit in zip(
            SIDES, ("cusum_up", "cusum_down"), ("cusum_limit", "cusum_limit_down"), strict=True
        )
    )
    base = alt.Chart(rows, width=WIDTH, height=150).encode(x=_month_axis(rows))
    side: dict[str, Any] = {"title": "side", "scale": alt.Scale(domain=SIDES, range=[HIGH, LOW])}
    colour = alt.Color("side:N", legend={"title": None}, **side)
    lines = base.mark_line(point=True).encode(
        y=alt.Y("sum:Q", title="CUSUM", axis=CUSUM_AXIS),
        color=colour,
        strokeDash=alt.StrokeDash("side:N", title="side", legend=None),
    )
    limit = base.mark_line(strokeDash=[4, 3], strokeWidth=1, aria=False).encode(
        y=alt.Y("limit:Q", title="limit", axis=CUSUM_AXIS), color=colour
    )
    return layer_charts(limit, lines, *_measure_marks(rows_with_cusum)).properties(
        description="CUSUM of comebacks against those expected for the same mix of work, one for a rise and one for a fall, by month, each with its limit"
    )


def _select_one_group(months: Source) -> pl.DataFrame:
    table = table_from_source(months, "months")
    own = table.filter(pl.col("kind") == "all") if isinstance(months, Report) else table
    return require_one_group(own, ("kind", "group"), "months")


def _control_limit_layers(base: alt.Chart) -> list[alt.Chart]:
    band = base.mark_area(opacity=0.3, color=CHANCE, interpolate="step", aria=False).encode(
        y=alt.Y("lower:Q", title="lower control limit", axis=RATE_AXIS),
        y2=alt.Y2("upper:Q", title="upper control limit"),
    )
    centre = base.mark_line(color=CHANCE, strokeDash=[4, 3], aria=False)
    return [band, centre.encode(y=alt.Y("centre:Q", title="centre line", axis=RATE_AXIS))]


def _signal_marks(rows: pl.DataFrame, base: alt.Chart) -> list[alt.Chart]:
    """A triangle above each month with a signal."""
    rate = alt.Y("rate:Q", title="came back", axis=RATE_AXIS)
    return [
        _replace_rows(base, own).mark_text(dy=-14, fontSize=13, color=colour, text=sign).encode(y=rate)
        for signal, sign, colour in (("high", "▲", HIGH), ("low", "▼", LOW))
        if len(own := rows.filter(pl.col("signal") == signal))
    ]


def _replace_rows(base: alt.Chart, rows: pl.DataFrame) -> alt.Chart:
    chart = base.copy(deep=False)
    chart.data = rows
    return chart


def _change_marks(months: pl.DataFrame) -> list[alt.Chart]:
    changes = months.filter("change_began").select("month", label=pl.lit("change began"))
    if changes.is_empty():
        return []
    base = alt.Chart(changes).encode(x=alt.X("month:O", title="month", axis={"title": None}))
    text = alt.Text("label:N", title="mark")
    return [
        base.mark_rule(color=HIGH, strokeDash=[2, 2], aria=False),
        base.mark_text(color=HIGH, align="right", dx=-4, baseline="top").encode(text=text, y=AT_TOP),
    ]


def _measure_marks(months: pl.DataFrame) -> list[alt.Chart]:
    """A rule in each month in which something in the workshop was changed."""
    rows = months.filter(pl.col("measure").is_not_null()).select("month", "measure")
    if rows.is_empty():
        return []
    base = alt.Chart(rows).encode(x=alt.X("month:O", title="month", axis={"title": None}))
    tooltip = [alt.Tooltip("month:O", title="month"), alt.Tooltip("measure:N", title="change in the workshop")]
    text = alt.Text("measure:N", title="change in the workshop")
    return [
        base.mark_rule(color=LOW, strokeWidth=2).encode(tooltip=tooltip),
        base.mark_text(color=LOW, align="left", dx=4, baseline="top", dy=12, limit=120, aria=False).encode(
            text=text, y=AT_TOP
        ),
    ]


def _month_axis(rows: pl.DataFrame) -> alt.X:
    months = rows.get_column("month").unique().sort().to_list()
    every = max(1, -(-len(months) // MAX_LABELS))
    return alt.X("month:O", title="month", axis={"title": None, "labelAngle": 0, "values": months[::every]})


def _months_description(months: pl.DataFrame) -> str:
    if months.is_empty():
        return "Comeback rate by month: no month yet"
    description = f"Comeback rate by month from {months.get_column('month')[0]} to {months.get_column('month')[-1]}"
    change_months = months.filter("change_began").get_column("month").to_list()
    return description + (
        f"; a change began in {', '.join(change_months)}"
        if change_months
        else "; no date of change found for all workshops together"
    )
