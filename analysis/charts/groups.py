"""Groups beside each other: their rates, and how many came back against what the same work would give."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.choice import choice, chosen_name
from analysis.charts.layers import either, layered
from analysis.charts.room import most_telling
from analysis.charts.theme import (
    BESIDE,
    CHANCE,
    NARROW,
    PERCENT,
    PLAIN,
    ROW_PX,
    SIGNAL_COLOURS,
    SIGNAL_MARKS,
    SIGNAL_WORDS,
    WIDTH,
)

RATIO = ["observed / expected comebacks", "(grey: expected by chance)"]


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
    base = alt.Chart(shown, width=NARROW, height=_height(shown))
    axis = alt.X("rate_lo:Q", axis=PERCENT, title="came back within the window")
    return layered(*_dots(base, "rate", axis, "rate_hi")).properties(
        description=f"Comeback rate by {kind_word} with 95% intervals: {words}"
    )


def ratio_dots(rates: pl.DataFrame, kind_word: str) -> alt.LayerChart | alt.FacetChart:
    """One row a group, by name: comebacks over those expected from the same work, the range that chance explains grey.

    Parameters
    ----------
    rates
        `schemas.outputs.Rates` of one kind.
    kind_word
        What the groups are, in the trade's words.
    """
    shown = _compared(rates)
    return _ratios(alt.Chart(shown, width=WIDTH, height=_height(shown))).properties(
        description=_ratio_words(shown, kind_word)
    )


def ratio_board(
    rates: pl.DataFrame, beside: pl.DataFrame, kind_word: str, beside_word: str, first: str | None = None
) -> alt.HConcatChart:
    """`ratio_dots` with what is known of the chosen group beside it, its own share as a dot and everybody's as a tick.

    Parameters
    ----------
    rates
        `schemas.outputs.Rates` of one kind.
    beside
        Columns group, what (one row's label), place (its order), n, of, share, share_all: the group's share of `what`,
        n of its `of`, and everybody's.
    kind_word, beside_word
        What the groups are, and what their shares are of.
    first
        The group that is chosen until the reader chooses.
    """
    shown = _compared(rates)
    names = shown.get_column("group").to_list()
    chosen = choice("group", names, first, kind_word)
    left = _ratios(alt.Chart(shown, width=WIDTH, height=_height(shown)), chosen)
    own = beside.filter(pl.col("group").is_in(names))
    rows = ROW_PX * max(own.get_column("what").n_unique(), 1)
    data = alt.Chart(own, width=BESIDE, height=rows)
    base = data.transform_filter(chosen).encode(y=alt.Y("what:N", sort=alt.EncodingSortField("place"), title=None))
    axis = alt.X(
        "share:Q",
        axis=PERCENT,
        title=[beside_word, "(tick: all technicians)" if kind_word == "technician" else "(tick: all models)"],
        scale=alt.Scale(domain=[0, 1]),
    )
    tips = [
        alt.Tooltip("group:N", title=kind_word), alt.Tooltip("what:N", title="kind"), alt.Tooltip("n:Q", title="own"),
        alt.Tooltip("of:Q", title="of"), alt.Tooltip("share_all:Q", format=".0%", title="share among all"),
    ]  # fmt: skip
    dots = base.mark_point(filled=True, size=80, opacity=1, color=PLAIN).encode(x=axis, tooltip=tips)
    ticks = base.mark_tick(color=CHANCE, thickness=2, size=14).encode(x=alt.X("share_all:Q"))
    right = layered(ticks, dots, chosen_name(chosen, data, "group"))
    told = f"{_ratio_words(shown, kind_word)}. On the right, for the {kind_word} you choose: {beside_word}"
    return alt.hconcat(left, right, spacing=24).properties(description=told)


def _ratios(base: alt.Chart, chosen: alt.Parameter | None = None) -> alt.LayerChart | alt.FacetChart:
    rows = base.encode(y=alt.Y("label:N", title=None))
    chance = rows.mark_bar(color=CHANCE, opacity=0.28, height=ROW_PX - 8).encode(
        x=alt.X("funnel_lo:Q"), x2=alt.X2("funnel_hi:Q")
    )
    one = alt.Chart(pl.DataFrame({"x": [1.0]})).mark_rule(color=CHANCE).encode(x=alt.X("x:Q"))
    return layered(
        chance,
        one,
        *_dots(base, "ratio", alt.X("ratio_lo:Q", title=RATIO, axis={"tickCount": 8}), "ratio_hi", chosen),
    )


def _dots(base: alt.Chart, middle: str, axis: alt.X, hi: str, chosen: alt.Parameter | None = None) -> list[alt.Chart]:
    rows = base.encode(y=alt.Y("label:N", title=None))
    wide = alt.StrokeWidthValue(2) if chosen is None else either(alt.StrokeWidthValue, chosen, 5, 2)
    bars = rows.mark_rule(color=CHANCE).encode(x=axis, x2=alt.X2(f"{hi}:Q"), strokeWidth=wide)
    dots = rows.mark_point(filled=True, size=80, opacity=1).encode(
        x=alt.X(f"{middle}:Q"),
        color=alt.Color("told:N", scale=SIGNAL_COLOURS),
        shape=alt.Shape("told:N", scale=SIGNAL_MARKS),
        tooltip=[
            alt.Tooltip("group:N", title="who or what"),
            alt.Tooltip("rate:Q", title="rate", format=".1%"),
            alt.Tooltip("comebacks:Q", title="came back"),
            alt.Tooltip("expected:Q", title="expected", format=".1f"),
            alt.Tooltip("mature:Q", title="bleeds followed"),
            alt.Tooltip("told:N", title="difference"),
        ],
    )
    return [bars, dots if chosen is None else dots.add_params(chosen)]


def _compared(rates: pl.DataFrame) -> pl.DataFrame:
    return _labelled(rates.filter(pl.col("ratio").is_not_null(), pl.col("ratio_lo").is_not_null()))


def _height(shown: pl.DataFrame) -> int:
    return ROW_PX * max(shown.height, 1)


def _ratio_words(shown: pl.DataFrame, kind_word: str) -> str:
    words = "; ".join(f"{row['group']} {row['ratio']:.2f}" for row in shown.head(20).iter_rows(named=True))
    return f"Observed / expected comebacks by {kind_word}: {words}"


def _labelled(rates: pl.DataFrame) -> pl.DataFrame:
    return most_telling(rates).select(
        "group", "rate", "rate_lo", "rate_hi", "ratio", "ratio_lo", "ratio_hi", "funnel_lo", "funnel_hi", "expected",
        "mature", "comebacks",
        pl.col("signal").replace_strict(SIGNAL_WORDS).alias("told"),
        pl.format("{}  (n {})", "group", "mature").alias("label"),
    )  # fmt: skip
