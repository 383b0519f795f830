"""Month by month: the rate within its limits, and the CUSUMs with theirs."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.layering import conditional, layer_charts
from analysis.charts.theme import AT_TOP, CHANCE, HIGH, LOW, PERCENT, PLAIN, WIDTH

LABELS = 7


def months_line(months: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Rate by month of one group within its limits; months not followed to their end stand apart, hollow.

    Parameters
    ----------
    months
        `schemas.outputs.Months` of one group.
    """
    rows = months.filter(pl.col("rate").is_not_null()).with_columns(
        state=pl.when(pl.col("mature") == pl.col("sessions"))
        .then(pl.lit("followed"))
        .otherwise(pl.lit("follow-up not complete"))
    )
    base = alt.Chart(rows, width=WIDTH, height=210).encode(x=_month_axis(rows))
    rate = alt.Y("rate:Q", axis=PERCENT, title="came back")
    band = base.mark_area(opacity=0.3, color=CHANCE, interpolate="step").encode(
        y=alt.Y("lower:Q"), y2=alt.Y2("upper:Q")
    )
    centre = base.mark_line(color=CHANCE, strokeDash=[4, 3]).encode(y=alt.Y("centre:Q"))
    whole = rows.filter(pl.col("state") == "followed")
    line = [_subset(whole, base).mark_line(color=PLAIN, opacity=0.6).encode(y=rate)] if len(whole) else []
    dots = base.mark_point(size=60, opacity=1, strokeWidth=1.6).encode(
        y=rate,
        fill=conditional(alt.FillValue, alt.datum.state == "followed", PLAIN, "transparent"),
        stroke=alt.StrokeValue(PLAIN),
        tooltip=[
            alt.Tooltip("month:O", title="month"),
            alt.Tooltip("rate:Q", format=".1%", title="came back"),
            alt.Tooltip("comebacks:Q", title="came back"),
            alt.Tooltip("mature:Q", title="bleeds followed"),
            alt.Tooltip("sessions:Q", title="all bleeds"),
            alt.Tooltip("state:N", title="state"),
        ],
    )
    has_limits = [band, centre] if rows.get_column("centre").count() else []
    return layer_charts(*has_limits, *line, dots, *_flags(rows, base), *_change_marks(months)).properties(
        description=_description(months)
    )


def cusum_lines(months: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """The two CUSUMs of one group, for worse and for better, each with the limit at which it signals.

    Parameters
    ----------
    months
        `schemas.outputs.Months` of one group.
    """
    shown = months.filter(pl.col("cusum_up").is_not_null())
    long = pl.concat(
        shown.select("month", side=pl.lit(side), sum=total, limit=limit)
        for side, total, limit in (
            ("for worse", "cusum_up", "cusum_limit"),
            ("for better", "cusum_down", "cusum_limit_down"),
        )
    )
    base = alt.Chart(long, width=WIDTH, height=150).encode(x=_month_axis(long))
    sides = alt.Scale(domain=["for worse", "for better"], range=[HIGH, LOW])
    lines = base.mark_line(point=True).encode(
        y=alt.Y("sum:Q", title="CUSUM"),
        color=alt.Color("side:N", scale=sides),
        strokeDash=alt.StrokeDash("side:N", legend=None),
    )
    limit = base.mark_line(strokeDash=[4, 3], strokeWidth=1).encode(
        y=alt.Y("limit:Q"), color=alt.Color("side:N", scale=sides)
    )
    return layer_charts(limit, lines).properties(
        description="CUSUM of comebacks against the same work, for worse and for better, by month, each with its limit"
    )


def _flags(rows: pl.DataFrame, base: alt.Chart) -> list[alt.Chart]:
    return [
        _subset(own, base).mark_text(dy=-14, fontSize=13, color=colour, text=sign).encode(y=alt.Y("rate:Q"))
        for signal, sign, colour in (("high", "▲", HIGH), ("low", "▼", LOW))
        if len(own := rows.filter(pl.col("signal") == signal))
    ]


def _subset(rows: pl.DataFrame, base: alt.Chart) -> alt.Chart:
    """The same chart of some of its rows."""
    some = base.copy(deep=False)
    some.data = rows
    return some


def _change_marks(months: pl.DataFrame) -> list[alt.Chart]:
    changes = months.filter("change_began").select("month", told=pl.lit("change began"))
    if changes.is_empty():
        return []
    base = alt.Chart(changes).encode(x=alt.X("month:O"))
    return [
        base.mark_rule(color=HIGH, strokeDash=[2, 2]),
        base.mark_text(color=HIGH, align="right", dx=-4, baseline="top").encode(text=alt.Text("told:N"), y=AT_TOP),
    ]


def _month_axis(rows: pl.DataFrame) -> alt.X:
    months = rows.get_column("month").unique().sort().to_list()
    every = max(1, -(-len(months) // LABELS))
    return alt.X("month:O", title=None, axis={"labelAngle": 0, "values": months[::every]})


def _description(months: pl.DataFrame) -> str:
    if months.is_empty():
        return "Comeback rate by month: no month yet"
    description = f"Comeback rate by month from {months.get_column('month')[0]} to {months.get_column('month')[-1]}"
    change_months = months.filter("change_began").get_column("month").to_list()
    return description + (
        f"; a change began in {', '.join(change_months)}" if change_months else "; no date of change found"
    )
