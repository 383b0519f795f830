"""Steps of the standard: what each costs when missed, how often it is missed, where its tolerance lies."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.theme import (
    CHANCE,
    PERCENT,
    PLAIN,
    ROW_PX,
    SUSPECT,
    VERDICT_COLOURS,
    VERDICT_MARKS,
    VERDICT_WORDS,
    WIDTH,
)

SPARED = "comebacks spared per 100 bleeds"


def step_bars(steps: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Comebacks per 100 bleeds that each step would spare, with 95% intervals, costliest first; the raw difference, which
    blames steps for the work they are skipped in, as a small tick beside.

    Parameters
    ----------
    steps
        `schemas.outputs.Steps`.
    """
    shown = (
        steps.filter(pl.col("preventable_per_100").is_not_null())
        .select("title", "preventable_per_100", "lo", "hi", "missed", "recorded", "verdict", "rank", "naive_difference")
        .with_columns(told=pl.col("verdict").replace_strict(VERDICT_WORDS))
    )
    base = alt.Chart(shown, width=WIDTH, height=ROW_PX * max(shown.height, 1)).encode(
        y=alt.Y("title:N", sort=alt.EncodingSortField("rank"), title=None)
    )
    zero = alt.Chart(pl.DataFrame({"x": [0]})).mark_rule(color=CHANCE).encode(x="x:Q")
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(x=alt.X("lo:Q", title=SPARED), x2="hi:Q")
    raw = base.mark_tick(color=CHANCE, thickness=2, size=10).encode(x="naive_difference:Q")
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        x="preventable_per_100:Q",
        color=alt.Color("told:N", scale=VERDICT_COLOURS),
        shape=alt.Shape("told:N", scale=VERDICT_MARKS),
        tooltip=[
            alt.Tooltip("title:N", title="step"),
            alt.Tooltip("preventable_per_100:Q", title="spared per 100", format=".2f"),
            alt.Tooltip("lo:Q", title="from", format=".2f"),
            alt.Tooltip("hi:Q", title="to", format=".2f"),
            alt.Tooltip("naive_difference:Q", title="raw difference per 100", format=".2f"),
            alt.Tooltip("missed:Q", title="missed"),
            alt.Tooltip("recorded:Q", title="of recorded"),
        ],
    )
    costly = shown.sort("rank").head(8).iter_rows(named=True)
    words = "; ".join(f"{row['title']} {row['preventable_per_100']:.2f}, {row['told']}" for row in costly)
    return (zero + bars + raw + dots).properties(description=f"Comebacks per 100 bleeds spared by each step: {words}")


def missed_bars(steps: pl.DataFrame) -> alt.Chart:
    """How often each step was missed, of the bleeds where it was recorded.

    Parameters
    ----------
    steps
        `schemas.outputs.Steps`.
    """
    shown = steps.filter(pl.col("share_missed").is_not_null()).select("title", "share_missed", "missed", "recorded")
    chart = alt.Chart(shown, width=WIDTH, height=ROW_PX * max(shown.height, 1)).mark_bar(color=PLAIN, height=9)
    words = "; ".join(f"{t} {s:.0%}" for t, s in shown.select("title", "share_missed").head(20).iter_rows())
    return chart.encode(
        y=alt.Y("title:N", sort="-x", title=None),
        x=alt.X("share_missed:Q", axis=PERCENT, title="missed, of the bleeds where it was recorded"),
        tooltip=[alt.Tooltip("title:N", title="step"), "missed:Q", "recorded:Q"],
    ).properties(description=f"Share missed of each step: {words}")


def what_if_bars(scenarios: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Comebacks per 100 bleeds that each scenario would spare, with 95% intervals, in the order given.

    Parameters
    ----------
    scenarios
        `schemas.outputs.WhatIf`.
    """
    shown = scenarios.select("scenario", "preventable_per_100", "lo", "hi", "comebacks_per_year").head(12)
    base = alt.Chart(shown, width=WIDTH, height=ROW_PX * max(shown.height, 1)).encode(
        y=alt.Y("scenario:N", sort=None, title=None)
    )
    zero = alt.Chart(pl.DataFrame({"x": [0]})).mark_rule(color=CHANCE).encode(x="x:Q")
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(x=alt.X("lo:Q", title=SPARED), x2="hi:Q")
    dots = base.mark_point(filled=True, size=80, color=PLAIN, opacity=1).encode(
        x="preventable_per_100:Q",
        tooltip=["scenario:N", alt.Tooltip("comebacks_per_year:Q", title="comebacks spared a year", format=".1f")],
    )
    words = "; ".join(f"{s} {p:.2f}" for s, p in shown.select("scenario", "preventable_per_100").iter_rows())
    return (zero + bars + dots).properties(description=f"Comebacks per 100 bleeds spared: {words}")


def tolerance_curve(tolerance: pl.DataFrame, field_word: str) -> alt.LayerChart | alt.FacetChart:
    """The adjusted risk along one reading with its 95% band, the standard's limits marked, bleeds told on hovering.

    Parameters
    ----------
    tolerance
        `schemas.outputs.Tolerance` of one step.
    field_word
        The reading in the trade's words, with its unit.
    """
    base = alt.Chart(tolerance, width=WIDTH // 2, height=180).encode(
        x=alt.X("reading:Q", title=field_word, scale=alt.Scale(zero=False))
    )
    band = base.mark_area(opacity=0.3, color=CHANCE).encode(y=alt.Y("lo:Q", axis=PERCENT, title="come back"), y2="hi:Q")
    line = base.mark_line(color=PLAIN, point=alt.OverlayMarkDef(color=PLAIN)).encode(
        y="risk:Q",
        tooltip=[
            alt.Tooltip("reading:Q", title=field_word),
            alt.Tooltip("risk:Q", format=".1%", title="come back"),
            alt.Tooltip("bleeds:Q", title="bleeds near"),
        ],
    )
    limits = [
        alt.Chart(tolerance.filter(pl.col(name).is_not_null()).head(1))
        .mark_rule(color=SUSPECT, strokeDash=[4, 3])
        .encode(x=f"{name}:Q")
        for name in ("tolerance_lo", "tolerance_hi")
        if tolerance.get_column(name).count()
    ]
    return alt.layer(band, line, *limits).properties(
        description=f"Risk of a comeback along {field_word}, from {min(tolerance['reading'])} to {max(tolerance['reading'])}"
    )
