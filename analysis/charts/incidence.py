"""How soon bleeds come back, and the bleeds to recall."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.layering import layer_charts
from analysis.charts.theme import AT_TOP, CHANCE, HIGH, PERCENT, PLAIN, WIDTH, folded

POINTS = 400
MAX_MARKS = 600
"""Bleeds on hold up to which each has a mark of its own."""
BLEED_TOOLTIP = (("session_id:N", "bleed"), ("day:T", "day"), ("shop:N", "workshop"), ("state:N", "state"))
MONTH_TOOLTIP = (("bleeds:Q", "bleeds"), ("day:T", "month from"), ("state:N", "state"))


def incidence_curve(incidence: pl.DataFrame, window_days: int) -> alt.LayerChart | alt.FacetChart:
    """Share of bleeds come back by each day, with its 95% band and the window marked.

    Parameters
    ----------
    incidence
        `schemas.intermediate.Incidence`.
    window_days
        Where the window ends.
    """
    rows = incidence.select("day", "at_risk", "incidence", "lo", "hi").filter(
        pl.col("day") <= max(4 * window_days, 120)
    )
    base = alt.Chart(_subsampled(rows), width=WIDTH, height=220).encode(x=alt.X("day:Q", title="days since the bleed"))
    band = base.mark_area(opacity=0.3, color=CHANCE, interpolate="step-after").encode(
        y=alt.Y("lo:Q", axis=PERCENT, title="came back (cumulative %)"), y2=alt.Y2("hi:Q")
    )
    line = base.mark_line(color=PLAIN, interpolate="step-after").encode(
        y=alt.Y("incidence:Q"),
        tooltip=[
            alt.Tooltip("day:Q", title="day"),
            alt.Tooltip("incidence:Q", title="came back", format=".1%"),
            alt.Tooltip("at_risk:Q", title="bleeds still followed"),
        ],
    )
    end = alt.Chart(pl.DataFrame({"day": [window_days], "told": ["window"]})).encode(x=alt.X("day:Q"))
    rule = end.mark_rule(strokeDash=[4, 3], color=CHANCE)
    label = end.mark_text(align="left", dx=4, baseline="top", color=CHANCE).encode(text=alt.Text("told:N"), y=AT_TOP)
    return layer_charts(band, line, rule, label).properties(description=_description(incidence, window_days))


def holds_by_day(holds: pl.DataFrame) -> alt.Chart:
    """Each bleed on hold on the day it was done, by kind of hold; closed ones grey. Many stand by month, larger where more.

    Parameters
    ----------
    holds
        Columns day, hold (in words), session_id, shop, state (`to recall` or `re-bled since`).
    """
    states = alt.Scale(domain=["to recall", "re-bled since"], range=[HIGH, CHANCE])
    marks = alt.Scale(domain=["to recall", "re-bled since"], range=["triangle-up", "circle"])
    many = holds.height > MAX_MARKS
    labelled = holds.with_columns(label=pl.col("hold").map_elements(folded, return_dtype=pl.String))
    rows = _by_month(labelled) if many else labelled
    chart = alt.Chart(rows, width=WIDTH, height=38 * max(holds.get_column("hold").n_unique(), 1))
    by = "month, larger where there are more" if many else "day"
    still = holds.filter(pl.col("state") == "to recall").height
    return (
        chart.mark_point(filled=True, opacity=0.85)
        .encode(
            x=alt.X("day:T", title=f"by {by}" if many else None, axis={"format": "%Y-%m", "tickCount": 4}),
            y=alt.Y("label:N", title=None),
            color=alt.Color("state:N", scale=states),
            shape=alt.Shape("state:N", scale=marks),
            size=alt.Size("bleeds:Q", legend=None) if many else alt.SizeValue(70),
            tooltip=[alt.Tooltip(field, title=title) for field, title in (MONTH_TOOLTIP if many else BLEED_TOOLTIP)],
        )
        .properties(
            description=f"Bleeds that broke a safety rule by {by}: {holds.height} in all, {still} still to recall"
        )
    )


def _by_month(holds: pl.DataFrame) -> pl.DataFrame:
    by = holds.group_by(pl.col("day").dt.truncate("1mo"), "label", "state").agg(bleeds=pl.len())
    return by.sort("day", "label", "state")


def _subsampled(curve: pl.DataFrame) -> pl.DataFrame:
    return curve if curve.height <= POINTS else curve.gather_every(curve.height // POINTS + 1)


def _description(incidence: pl.DataFrame, window_days: int) -> str:
    within = incidence.filter(pl.col("day") <= window_days)
    if within.is_empty():
        return "Share of bleeds that came back by day: none followed yet"
    last = within.row(-1, named=True)
    return f"Share of bleeds that came back by day: {last['incidence']:.1%} by day {window_days}"
