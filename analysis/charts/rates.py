"""Groups beside each other: their rates, and how many came back against what the same work would give."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.click_selection import click_selection, selected_name
from analysis.charts.layering import conditional, layer_charts
from analysis.charts.room import most_telling
from analysis.charts.theme import (
    CHANCE,
    DETAIL_WIDTH,
    NARROW,
    PERCENT,
    PLAIN,
    ROW_PX,
    SIGNAL_COLOURS,
    SIGNAL_LABELS,
    SIGNAL_MARKS,
    WIDTH,
)

RATIO = ["observed / expected comebacks", "(grey: expected by chance)"]


def rate_dots(rates: pl.DataFrame, kind_label: str) -> alt.LayerChart | alt.FacetChart:
    """One row a group, by name: its rate with the 95% interval, marked by its signal, bleeds told beside the name.

    Parameters
    ----------
    rates
        `schemas.outputs.Rates` of one kind.
    kind_label
        What the groups are, in the trade's words.
    """
    selected = _labelled(rates.filter(pl.col("rate").is_not_null()))
    words = "; ".join(f"{row['group']} {row['rate']:.1%}" for row in selected.head(12).iter_rows(named=True))
    base = alt.Chart(selected, width=NARROW, height=_height(selected))
    axis = alt.X("rate_lo:Q", axis=PERCENT, title="came back within the window")
    return layer_charts(*_dots(base, "rate", axis, "rate_hi")).properties(
        description=f"Comeback rate by {kind_label} with 95% intervals: {words}"
    )


def ratio_dots(rates: pl.DataFrame, kind_label: str) -> alt.LayerChart | alt.FacetChart:
    """One row a group, by name: comebacks over those expected from the same work, the range that chance explains grey.

    Parameters
    ----------
    rates
        `schemas.outputs.Rates` of one kind.
    kind_label
        What the groups are, in the trade's words.
    """
    selected = _compared(rates)
    return _ratios(alt.Chart(selected, width=WIDTH, height=_height(selected))).properties(
        description=_description(selected, kind_label)
    )


def ratio_board(
    rates: pl.DataFrame, detail: pl.DataFrame, kind_label: str, detail_label: str, first: str | None = None
) -> alt.HConcatChart:
    """`ratio_dots` with what is known of the chosen group beside it, its own share as a dot and everybody's as a tick.

    Parameters
    ----------
    rates
        `schemas.outputs.Rates` of one kind.
    detail
        Columns group, what (one row's label), place (its order), n, of, share, share_all: the group's share of `what`,
        n of its `of`, and everybody's.
    kind_label, detail_label
        What the groups are, and what their shares are of.
    first
        The group that is chosen until the reader chooses.
    """
    selected = _compared(rates)
    names = selected.get_column("group").to_list()
    chosen = click_selection("group", names, first, kind_label)
    ratios = _ratios(alt.Chart(selected, width=WIDTH, height=_height(selected)), chosen)
    own = detail.filter(pl.col("group").is_in(names))
    rows = ROW_PX * max(own.get_column("what").n_unique(), 1)
    data = alt.Chart(own, width=DETAIL_WIDTH, height=rows)
    base = data.transform_filter(chosen).encode(y=alt.Y("what:N", sort=alt.EncodingSortField("place"), title=None))
    axis = alt.X(
        "share:Q",
        axis=PERCENT,
        title=[detail_label, "(tick: all technicians)" if kind_label == "technician" else "(tick: all models)"],
        scale=alt.Scale(domain=[0, 1]),
    )
    tips = [
        alt.Tooltip("group:N", title=kind_label), alt.Tooltip("what:N", title="kind"), alt.Tooltip("n:Q", title="own"),
        alt.Tooltip("of:Q", title="of"), alt.Tooltip("share_all:Q", format=".0%", title="share among all"),
    ]  # fmt: skip
    dots = base.mark_point(filled=True, size=80, opacity=1, color=PLAIN).encode(x=axis, tooltip=tips)
    ticks = base.mark_tick(color=CHANCE, thickness=2, size=14).encode(x=alt.X("share_all:Q"))
    right = layer_charts(ticks, dots, selected_name(chosen, data, "group"))
    description = f"{_description(selected, kind_label)}. On the right, for the {kind_label} you choose: {detail_label}"
    return alt.hconcat(ratios, right, spacing=24).properties(description=description)


def _ratios(base: alt.Chart, selection: alt.Parameter | None = None) -> alt.LayerChart | alt.FacetChart:
    rows = base.encode(y=alt.Y("label:N", title=None))
    chance = rows.mark_bar(color=CHANCE, opacity=0.28, height=ROW_PX - 8).encode(
        x=alt.X("funnel_lo:Q"), x2=alt.X2("funnel_hi:Q")
    )
    one = alt.Chart(pl.DataFrame({"x": [1.0]})).mark_rule(color=CHANCE).encode(x=alt.X("x:Q"))
    return layer_charts(
        chance,
        one,
        *_dots(base, "ratio", alt.X("ratio_lo:Q", title=RATIO, axis={"tickCount": 8}), "ratio_hi", selection),
    )


def _dots(
    base: alt.Chart, middle: str, axis: alt.X, hi: str, selection: alt.Parameter | None = None
) -> list[alt.Chart]:
    rows = base.encode(y=alt.Y("label:N", title=None))
    wide = alt.StrokeWidthValue(2) if selection is None else conditional(alt.StrokeWidthValue, selection, 5, 2)
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
    return [bars, dots if selection is None else dots.add_params(selection)]


def _compared(rates: pl.DataFrame) -> pl.DataFrame:
    return _labelled(rates.filter(pl.col("ratio").is_not_null(), pl.col("ratio_lo").is_not_null()))


def _height(selected: pl.DataFrame) -> int:
    return ROW_PX * max(selected.height, 1)


def _description(selected: pl.DataFrame, kind_label: str) -> str:
    words = "; ".join(f"{row['group']} {row['ratio']:.2f}" for row in selected.head(20).iter_rows(named=True))
    return f"Observed / expected comebacks by {kind_label}: {words}"


def _labelled(rates: pl.DataFrame) -> pl.DataFrame:
    return most_telling(rates).select(
        "group", "rate", "rate_lo", "rate_hi", "ratio", "ratio_lo", "ratio_hi", "funnel_lo", "funnel_hi", "expected",
        "mature", "comebacks",
        pl.col("signal").replace_strict(SIGNAL_LABELS).alias("told"),
        pl.format("{}  (n {})", "group", "mature").alias("label"),
    )  # fmt: skip
