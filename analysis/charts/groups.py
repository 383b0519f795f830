"""Groups beside each other: their rates, and how many came back against what the same work would give."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.theme import CHANCE, PERCENT, ROW_PX, SIGNAL_COLOURS, SIGNAL_MARKS, SIGNAL_WORDS, WIDTH

CHOSEN = "group"


def rate_dots(rates: pl.DataFrame, kind_word: str) -> alt.LayerChart | alt.FacetChart:
    """One row a group, by name: its rate with the 95% interval, marked by its signal, bleeds told beside the name.

    Parameters
    ----------
    rates
        `schemas.outputs.Rates` of one kind.
    kind_word
        What the groups are, in the trade's words.
    """
    shown = _labelled(rates.filter(pl.col("rate").is_not_null()))
    words = "; ".join(f"{row['group']} {row['rate']:.1%}" for row in shown.head(12).iter_rows(named=True))
    return _dots(
        shown, "rate", "rate_lo", "rate_hi", alt.X("rate_lo:Q", axis=PERCENT, title="come back within the window")
    ).properties(description=f"Comeback rate by {kind_word} with 95% intervals: {words}")


def ratio_dots(rates: pl.DataFrame, kind_word: str) -> alt.LayerChart | alt.FacetChart:
    """One row a group, by name: comebacks over those expected from the same work, the range that chance explains grey.

    Parameters
    ----------
    rates
        `schemas.outputs.Rates` of one kind.
    kind_word
        What the groups are, in the trade's words.
    """
    shown = _labelled(rates.filter(pl.col("ratio").is_not_null(), pl.col("ratio_lo").is_not_null()))
    base = alt.Chart(shown).encode(y=alt.Y("label:N", title=None))
    chance = base.mark_bar(color=CHANCE, opacity=0.28, height=ROW_PX - 8).encode(x="funnel_lo:Q", x2="funnel_hi:Q")
    one = alt.Chart(pl.DataFrame({"x": [1.0]})).mark_rule(color=CHANCE).encode(x="x:Q")
    axis = alt.X("ratio_lo:Q", title="times as many as the same work gives (1 is as expected; grey: chance)")
    words = "; ".join(f"{row['group']} {row['ratio']:.2f}" for row in shown.head(20).iter_rows(named=True))
    return alt.layer(chance, one, _dots(shown, "ratio", "ratio_lo", "ratio_hi", axis)).properties(
        description=f"Comebacks against those expected from the same work by {kind_word}: {words}",
        width=WIDTH,
        height=ROW_PX * max(shown.height, 1),
    )


def _dots(shown: pl.DataFrame, middle: str, lo: str, hi: str, axis: alt.X) -> alt.LayerChart | alt.FacetChart:
    base = alt.Chart(shown, width=WIDTH, height=ROW_PX * max(shown.height, 1)).encode(y=alt.Y("label:N", title=None))
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(x=axis, x2=f"{hi}:Q")
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        x=f"{middle}:Q",
        color=alt.Color("told:N", scale=SIGNAL_COLOURS),
        shape=alt.Shape("told:N", scale=SIGNAL_MARKS),
        tooltip=[
            alt.Tooltip("group:N"),
            alt.Tooltip("rate:Q", title="rate", format=".1%"),
            alt.Tooltip("comebacks:Q", title="came back"),
            alt.Tooltip("expected:Q", title="expected from the same work", format=".1f"),
            alt.Tooltip("mature:Q", title="of bleeds followed"),
            alt.Tooltip("told:N", title="signal"),
        ],
    )
    return bars + dots


def _labelled(rates: pl.DataFrame) -> pl.DataFrame:
    return rates.select(
        "group", "rate", "rate_lo", "rate_hi", "ratio", "ratio_lo", "ratio_hi", "funnel_lo", "funnel_hi", "expected",
        "mature", "comebacks",
        pl.col("signal").replace_strict(SIGNAL_WORDS).alias("told"),
        pl.format("{}  (n {})", "group", "mature").alias("label"),
    )  # fmt: skip
