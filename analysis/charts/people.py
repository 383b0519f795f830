"""Technique against peers on the same work, and what coaching changed; by name in alphabetical order, no league."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.click_selection import click_selection, selected_name
from analysis.charts.layering import conditional, layer_charts
from analysis.charts.room import cut_words, most_telling_people
from analysis.charts.steps import ALIKE, FEWER, MORE, against_peers
from analysis.charts.theme import CHANCE, DETAIL_WIDTH, HIGH, LOW, PERCENT, PLAIN, WIDTH, folded, rows_px

TABLE_PX = 24


def technique_board(technique: pl.DataFrame, first: str | None = None) -> alt.HConcatChart:
    """Technicians across, steps down, filled where the excess over peers is more (or less) than chance; a click on a
    square shows that technician's steps with their intervals beside it.

    Parameters
    ----------
    technique
        `schemas.outputs.Technique` with a column `title`, the step in words.
    first
        Who is chosen until the reader chooses.
    """
    every = _against_peers(technique)
    rows = most_telling_people(every)
    names = rows.get_column("technician").unique().sort().to_list()
    chosen = click_selection("technician", names, first, "technician")
    categories = [MORE, FEWER, ALIKE]
    tips = [
        alt.Tooltip("technician:N", title="technician"),
        alt.Tooltip("title:N", title="step"),
        alt.Tooltip("missed:Q", title="missed"),
        alt.Tooltip("recorded:Q", title="recorded"),
        alt.Tooltip("share:Q", format=".0%", title="missed, own"),
        alt.Tooltip("peer_share:Q", format=".0%", title="missed, peers on the same work"),
    ]
    tall = alt.Step(TABLE_PX + 6)
    board = (
        alt.Chart(rows, width=alt.Step(TABLE_PX), height=tall)
        .mark_point(size=180, filled=True, opacity=1)
        .encode(
            x=alt.X("technician:N", title=None, axis={"labelAngle": -60, "orient": "top", "labelOverlap": False}),
            y=alt.Y("label:N", title=None),
            color=alt.Color("told:N", scale=alt.Scale(domain=categories, range=[HIGH, LOW, "#8884"])),
            shape=alt.Shape(
                "told:N", scale=alt.Scale(domain=categories, range=["triangle-up", "triangle-down", "square"])
            ),
            stroke=conditional(alt.StrokeValue, chosen, PLAIN, None),
            tooltip=tips,
        )
        .add_params(chosen)
    )
    data = alt.Chart(rows, width=DETAIL_WIDTH, height=tall)
    own = data.transform_filter(chosen).encode(y=alt.Y("label:N", title=None, axis={"labels": False}))
    zero = alt.Chart(pl.DataFrame({"x": [0]})).mark_rule(color=CHANCE).encode(x=alt.X("x:Q"))
    axis = alt.X("lo:Q", axis=PERCENT, title="missed more than peers (percentage points)")
    bars = own.mark_rule(strokeWidth=2, color=CHANCE).encode(x=axis, x2=alt.X2("hi:Q"))
    dots = own.mark_point(filled=True, size=70, opacity=1).encode(
        x=alt.X("excess:Q"),
        color=alt.Color("told:N", scale=alt.Scale(domain=categories, range=[HIGH, LOW, PLAIN]), legend=None),
        shape=alt.Shape(
            "told:N", scale=alt.Scale(domain=categories, range=["triangle-up", "triangle-down", "circle"]), legend=None
        ),
        tooltip=tips,
    )
    detail_chart = layer_charts(zero, bars, dots, selected_name(chosen, data, "technician"))
    more = rows.filter(pl.col("told") == MORE).sort("technician", "title")
    listing = "; ".join(
        f"{person}: {step_name}" for person, step_name in more.select("technician", "title").head(20).iter_rows()
    )
    return (
        alt.hconcat(board, detail_chart, spacing=14)
        .resolve_scale(color="independent", shape="independent")
        .properties(
            **_cut_title(rows, every),
            description=f"Steps missed more often than peers on the same work, by technician: {listing or 'none'}",
        )
    )


def _cut_title(rows: pl.DataFrame, every: pl.DataFrame) -> dict[str, str]:
    """A title where some technicians alone are shown."""
    which = "those unlike their peers in most steps, then those with most bleeds"
    cut = cut_words(rows.n_unique("technician"), every.n_unique("technician"), which)
    return {"title": f"Technicians: {cut}"} if cut else {}


def _against_peers(technique: pl.DataFrame) -> pl.DataFrame:
    shown = technique.select(
        "technician", "title", "recorded", "missed", "share", "peer_share", "excess", "lo", "hi", "clear"
    )
    folds = pl.col("title").map_elements(folded, return_dtype=pl.String)
    return shown.filter(pl.col("excess").is_not_null()).with_columns(told=against_peers(), label=folds)


def coaching_changes(coaching: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """What each coaching changed against peers, with 95% intervals; left of zero is fewer misses.

    Parameters
    ----------
    coaching
        `schemas.outputs.CoachingEffect` with a column `label`, who and what in words.
    """
    folds = pl.col("label").map_elements(folded, return_dtype=pl.String)
    rows = coaching.filter(pl.col("change").is_not_null()).select(
        "missed_before", "missed_after", "change", "lo", "hi", said="label", label=folds
    )
    tall = rows_px(rows.get_column("label").to_list()) + 24
    base = alt.Chart(rows, width=WIDTH, height=tall).encode(y=alt.Y("label:N", title=None))
    zero = alt.Chart(pl.DataFrame({"x": [0]})).mark_rule(color=CHANCE).encode(x=alt.X("x:Q"))
    axis = alt.X("lo:Q", axis=PERCENT, title=["change in share missed against peers", "(left: fewer misses)"])
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(x=axis, x2=alt.X2("hi:Q"))
    dots = base.mark_point(filled=True, size=80, color=PLAIN, opacity=1).encode(
        x=alt.X("change:Q"),
        tooltip=[
            alt.Tooltip("said:N", title="coaching"),
            alt.Tooltip("missed_before:Q", format=".0%", title="missed before"),
            alt.Tooltip("missed_after:Q", format=".0%", title="missed after"),
        ],
    )
    words = "; ".join(f"{label} {change:+.0%}" for label, change in rows.select("said", "change").iter_rows())
    return layer_charts(zero, bars, dots).properties(
        description=f"Change in share missed after coaching, against peers: {words}"
    )
