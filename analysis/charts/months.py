"""Month by month: the rate within its limits, and the CUSUMs with theirs."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.layers import either, layered
from analysis.charts.theme import AT_TOP, CHANCE, HIGH, LOW, PERCENT, PLAIN, WIDTH

LABELS = 7


def months_line(months: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Rate by month of one group within its limits; months not followed to their end stand apart, hollow.

    Parameters
    ----------
    months
        `schemas.outputs.Months` of one group.
    """
    shown = months.filter(pl.col("rate").is_not_null()).with_columns(
        state=pl.when(pl.col("mature") == pl.col("sessions"))
        .then(pl.lit("followed"))
        .otherwise(pl.lit("not followed to its end"))
    )
    base = alt.Chart(shown, width=WIDTH, height=210).encode(x=_month_axis(shown))
    rate = alt.Y("rate:Q", axis=PERCENT, title="come back")
    band = base.mark_area(opacity=0.3, color=CHANCE, interpolate="step").encode(
        y=alt.Y("lower:Q"), y2=alt.Y2("upper:Q")
    )
    centre = base.mark_line(color=CHANCE, strokeDash=[4, 3]).encode(y=alt.Y("centre:Q"))
    whole = shown.filter(pl.col("state") == "followed")
    line = [_over(whole, base).mark_line(color=PLAIN, opacity=0.6).encode(y=rate)] if len(whole) else []
    dots = base.mark_point(size=60, opacity=1, strokeWidth=1.6).encode(
        y=rate,
        fill=either(alt.FillValue, alt.datum.state == "followed", PLAIN, "transparent"),
        stroke=alt.StrokeValue(PLAIN),
        tooltip=[
            alt.Tooltip("month:O", title="month"),
            alt.Tooltip("rate:Q", format=".1%", title="come back"),
            alt.Tooltip("comebacks:Q", title="came back"),
            alt.Tooltip("mature:Q", title="of bleeds followed"),
            alt.Tooltip("sessions:Q", title="of bleeds in all"),
            alt.Tooltip("state:N", title="state"),
        ],
    )
    has_limits = [band, centre] if shown.get_column("centre").count() else []
    return layered(*has_limits, *line, dots, *_flags(shown, base), *_began(months)).properties(
        description=_words(months)
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
    return layered(limit, lines).properties(
        description="CUSUM of comebacks against the same work, for worse and for better, by month, each with its limit"
    )


def _flags(shown: pl.DataFrame, base: alt.Chart) -> list[alt.Chart]:
    return [
        _over(own, base).mark_text(dy=-14, fontSize=13, color=colour, text=sign).encode(y=alt.Y("rate:Q"))
        for signal, sign, colour in (("high", "▲", HIGH), ("low", "▼", LOW))
        if len(own := shown.filter(pl.col("signal") == signal))
    ]


def _over(rows: pl.DataFrame, base: alt.Chart) -> alt.Chart:
    """The same chart of some of its rows."""
    some = base.copy(deep=False)
    some.data = rows
    return some


def _began(months: pl.DataFrame) -> list[alt.Chart]:
    began = months.filter("change_began").select("month", told=pl.lit("change began"))
    if began.is_empty():
        return []
    base = alt.Chart(began).encode(x=alt.X("month:O"))
    return [
        base.mark_rule(color=HIGH, strokeDash=[2, 2]),
        base.mark_text(color=HIGH, align="right", dx=-4, baseline="top").encode(text=alt.Text("told:N"), y=AT_TOP),
    ]


def _month_axis(shown: pl.DataFrame) -> alt.X:
    months = shown.get_column("month").unique().sort().to_list()
    every = max(1, -(-len(months) // LABELS))
    return alt.X("month:O", title=None, axis={"labelAngle": 0, "values": months[::every]})


def _words(months: pl.DataFrame) -> str:
    if months.is_empty():
        return "Comeback rate by month: no month yet"
    told = f"Comeback rate by month from {months.get_column('month')[0]} to {months.get_column('month')[-1]}"
    began = months.filter("change_began").get_column("month").to_list()
    return told + (f"; a change began in {', '.join(began)}" if began else "; no change told")
