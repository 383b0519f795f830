"""Tables in, charts out: an interval is always drawn, a denominator always told, grey is what chance explains."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.theme import CHANCE, HIGH, INK, PLAIN, ROW_PX, SIGNAL_COLOURS, SIGNAL_MARKS, WIDTH

PERCENT = alt.Axis(format=".0%")


def incidence_curve(incidence: pl.DataFrame, window_days: int) -> alt.Chart:
    """Share of bleeds come back by each day, with its 95% band and the window marked.

    Parameters
    ----------
    incidence
        `schemas.between.Incidence`.
    window_days
        Where the window ends.
    """
    shown = incidence.select("day", "at_risk", "incidence", "lo", "hi").filter(
        pl.col("day") <= max(4 * window_days, 120)
    )
    base = alt.Chart(_thinned(shown), width=WIDTH, height=220).encode(x=alt.X("day:Q", title="days since the bleed"))
    band = base.mark_area(opacity=0.25, color=CHANCE, interpolate="step-after").encode(
        y=alt.Y("lo:Q", axis=PERCENT, title="come back by then"), y2="hi:Q"
    )
    line = base.mark_line(color=PLAIN, interpolate="step-after").encode(
        y="incidence:Q",
        tooltip=[
            alt.Tooltip("day:Q", title="day"),
            alt.Tooltip("incidence:Q", title="come back", format=".1%"),
            alt.Tooltip("at_risk:Q", title="bleeds still followed"),
        ],
    )
    rule = alt.Chart(pl.DataFrame({"day": [window_days]})).mark_rule(strokeDash=[4, 3], color=INK).encode(x="day:Q")
    return (band + line + rule).properties(description=_curve_words(incidence, window_days))


def rate_dots(rates: pl.DataFrame, kind_word: str) -> alt.Chart:
    """One row a group: its rate with the 95% interval, marked and coloured by its signal, bleeds beside it.

    Parameters
    ----------
    rates
        `schemas.outputs.Rates` of one kind.
    kind_word
        What the groups are, in the trade's words.
    """
    shown = rates.filter(pl.col("rate").is_not_null()).with_columns(
        label=pl.concat_str("group", pl.lit("  (n "), pl.col("mature").cast(pl.String), pl.lit(")"))
    )
    order = alt.EncodingSortField("rate", order="descending")
    base = alt.Chart(
        shown.select("label", "group", "rate", "rate_lo", "rate_hi", "mature", "comebacks", "signal"),
        width=WIDTH,
        height=ROW_PX * max(shown.height, 1),
    ).encode(y=alt.Y("label:N", sort=order, title=None))
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(
        x=alt.X("rate_lo:Q", axis=PERCENT, title="come back within the window"), x2="rate_hi:Q"
    )
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        x="rate:Q",
        color=alt.Color("signal:N", scale=SIGNAL_COLOURS, legend=alt.Legend(labelExpr=_signal_words())),
        shape=alt.Shape("signal:N", scale=SIGNAL_MARKS),
        tooltip=[
            alt.Tooltip("group:N", title=kind_word),
            alt.Tooltip("rate:Q", title="rate", format=".1%"),
            alt.Tooltip("comebacks:Q", title="comebacks"),
            alt.Tooltip("mature:Q", title="of bleeds followed"),
        ],
    )
    words = "; ".join(f"{row['group']} {row['rate']:.1%}" for row in shown.head(12).iter_rows(named=True))
    return (bars + dots).properties(description=f"Comeback rate by {kind_word} with 95% intervals: {words}")


def months_line(months: pl.DataFrame) -> alt.Chart:
    """Rate by month of one group within its limits; months not yet followed for the window stand apart, hollow.

    Parameters
    ----------
    months
        `schemas.outputs.Months` of one group, or its raw columns.
    """
    shown = months.with_columns(
        state=pl.when(pl.col("mature") == pl.col("sessions"))
        .then(pl.lit("followed"))
        .otherwise(pl.lit("not yet followed"))
    ).filter(pl.col("rate").is_not_null())
    base = alt.Chart(shown, width=WIDTH, height=220).encode(
        x=alt.X("month:O", title=None, axis=alt.Axis(labelAngle=-60))
    )
    layers = []
    if "centre" in shown.columns and shown.get_column("centre").count():
        layers.append(
            base.mark_area(opacity=0.22, color=CHANCE, interpolate="step").encode(y=alt.Y("lower:Q"), y2="upper:Q")
        )
        layers.append(base.mark_line(color=CHANCE, strokeDash=[4, 3]).encode(y="centre:Q"))
    layers.append(base.mark_line(color=PLAIN, opacity=0.6).encode(y=alt.Y("rate:Q", axis=PERCENT, title="come back")))
    layers.append(
        base.mark_point(size=70, opacity=1).encode(
            y="rate:Q",
            fill=alt.condition(alt.datum.state == "followed", alt.value(PLAIN), alt.value("transparent")),
            stroke=alt.value(PLAIN),
            tooltip=[
                "month:O",
                alt.Tooltip("rate:Q", format=".1%"),
                "comebacks:Q",
                "mature:Q",
                "sessions:Q",
                "state:N",
            ],
        )
    )
    if "signal" in shown.columns:
        flagged = base.transform_filter("datum.signal == 'high' || datum.signal == 'low'")
        layers.append(
            flagged.mark_text(dy=-14, fontSize=14, fontWeight="bold").encode(
                y="rate:Q", text=alt.condition("datum.signal == 'high'", alt.value("▲"), alt.value("▼")),
                color=alt.Color("signal:N", scale=SIGNAL_COLOURS, legend=None),
            )
        )  # fmt: skip
    first, last = (shown.get_column("month")[i] if shown.height else "none" for i in (0, -1))
    return alt.layer(*layers).properties(description=f"Comeback rate by month from {first} to {last}, with its limits")


def step_bars(steps: pl.DataFrame) -> alt.Chart:
    """Comebacks per 100 bleeds that each step would spare, with 95% intervals, costliest first.

    Parameters
    ----------
    steps
        `schemas.outputs.Steps`.
    """
    shown = steps.filter(pl.col("preventable_per_100").is_not_null()).select(
        "step", "title", "preventable_per_100", "lo", "hi", "missed", "recorded", "verdict", "rank"
    )
    base = alt.Chart(shown, width=WIDTH, height=ROW_PX * max(shown.height, 1)).encode(
        y=alt.Y("title:N", sort=alt.EncodingSortField("rank"), title=None)
    )
    scale = alt.Scale(
        domain=["costs_comebacks", "suspected", "no_sign", "too_few"], range=[HIGH, "#c98a1b", PLAIN, CHANCE]
    )
    marks = alt.Scale(
        domain=["costs_comebacks", "suspected", "no_sign", "too_few"],
        range=["triangle-right", "diamond", "circle", "cross"],
    )
    zero = alt.Chart(pl.DataFrame({"x": [0]})).mark_rule(color=INK).encode(x="x:Q")
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(
        x=alt.X("lo:Q", title="comebacks spared per 100 bleeds"), x2="hi:Q"
    )
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        x="preventable_per_100:Q",
        color=alt.Color("verdict:N", scale=scale, legend=alt.Legend(labelExpr="replace(datum.label, '_', ' ')")),
        shape=alt.Shape("verdict:N", scale=marks),
        tooltip=[
            alt.Tooltip("title:N", title="step"),
            alt.Tooltip("preventable_per_100:Q", title="spared per 100", format=".2f"),
            alt.Tooltip("lo:Q", format=".2f"),
            alt.Tooltip("hi:Q", format=".2f"),
            alt.Tooltip("missed:Q", title="missed"),
            alt.Tooltip("recorded:Q", title="of recorded"),
        ],
    )
    words = "; ".join(
        f"{row['title']} {row['preventable_per_100']:.2f}" for row in shown.sort("rank").head(8).iter_rows(named=True)
    )
    return (zero + bars + dots).properties(description=f"Comebacks per 100 bleeds spared by each step: {words}")


def missed_bars(steps: pl.DataFrame) -> alt.Chart:
    """How often each step was missed, of the bleeds where it was recorded."""
    shown = steps.filter(pl.col("share_missed").is_not_null()).select("title", "share_missed", "missed", "recorded")
    chart = alt.Chart(shown, width=WIDTH, height=ROW_PX * max(shown.height, 1)).mark_bar(color=PLAIN, height=9)
    words = "; ".join(f"{t} {s:.0%}" for t, s in shown.select("title", "share_missed").head(20).iter_rows())
    return chart.encode(
        y=alt.Y("title:N", sort="-x", title=None),
        x=alt.X("share_missed:Q", axis=PERCENT, title="missed, of the bleeds where it was recorded"),
        tooltip=[alt.Tooltip("title:N", title="step"), "missed:Q", "recorded:Q"],
    ).properties(description=f"Share missed of each step: {words}")


def _signal_words() -> str:
    return (
        "{'high': 'more than chance', 'low': 'fewer than chance', 'none': 'within chance', "
        "'too_few': 'too few to tell'}[datum.label]"
    )


def _thinned(curve: pl.DataFrame) -> pl.DataFrame:
    return curve if curve.height <= 400 else curve.gather_every(curve.height // 400 + 1)


def _curve_words(incidence: pl.DataFrame, window_days: int) -> str:
    within = incidence.filter(pl.col("day") <= window_days)
    if within.is_empty():
        return "Share of bleeds come back by day: none followed yet"
    last = within.row(-1, named=True)
    return f"Share of bleeds come back by day: {last['incidence']:.1%} by day {window_days}"
