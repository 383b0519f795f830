"""Technique against peers on the same work, and what coaching changed; by name in alphabetical order, no league."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.theme import CHANCE, HIGH, LOW, PERCENT, PLAIN, ROW_PX

TABLE_PX = 22


def technique_board(technique: pl.DataFrame) -> alt.HConcatChart:
    """Technicians across, steps down, filled where the excess over peers is more (or less) than chance; a click on a
    square shows that technician's steps with their intervals beside it.

    Parameters
    ----------
    technique
        `schemas.outputs.Technique` with a column `title`, the step in words.
    """
    shown = technique.select("technician", "title", "recorded", "missed", "share", "peer_share", "excess", "lo", "hi")
    shown = shown.filter(pl.col("excess").is_not_null()).with_columns(
        told=pl.when(pl.col("lo") > 0)
        .then(pl.lit("misses more than peers"))
        .when(pl.col("hi") < 0)
        .then(pl.lit("misses fewer"))
        .otherwise(pl.lit("like peers"))
    )
    first = shown.get_column("technician").sort().head(1).to_list()
    chosen = alt.selection_point(fields=["technician"], value=[{"technician": name} for name in first], name="who")
    words = ["misses more than peers", "misses fewer", "like peers"]
    colours = alt.Scale(domain=words, range=[HIGH, LOW, "#8884"])
    tips = [
        "technician:N",
        alt.Tooltip("title:N", title="step"),
        alt.Tooltip("missed:Q", title="missed"),
        alt.Tooltip("recorded:Q", title="of recorded"),
        alt.Tooltip("share:Q", format=".0%", title="missed, own"),
        alt.Tooltip("peer_share:Q", format=".0%", title="missed, peers on the same work"),
    ]
    board = (
        alt.Chart(shown)
        .mark_point(size=180, filled=True, opacity=1)
        .encode(
            x=alt.X("technician:N", title=None, axis=alt.Axis(labelAngle=-60, orient="top")),
            y=alt.Y("title:N", title=None),
            color=alt.Color("told:N", scale=colours),
            shape=alt.Shape("told:N", scale=alt.Scale(domain=words, range=["triangle-up", "triangle-down", "square"])),
            stroke=alt.condition(chosen, alt.value(PLAIN), alt.value(None)),
            tooltip=tips,
        )
        .properties(width=alt.Step(TABLE_PX), height=alt.Step(TABLE_PX))
        .add_params(chosen)
    )
    own = alt.Chart(shown).transform_filter(chosen).encode(y=alt.Y("title:N", title=None, axis=alt.Axis(labels=False)))
    zero = alt.Chart(pl.DataFrame({"x": [0]})).mark_rule(color=CHANCE).encode(x="x:Q")
    axis = alt.X("lo:Q", axis=PERCENT, title="share missed beyond peers")
    bars = own.mark_rule(strokeWidth=2, color=CHANCE).encode(x=axis, x2="hi:Q")
    dots = own.mark_point(filled=True, size=70, opacity=1).encode(x="excess:Q", color="told:N", tooltip=tips)
    name = (
        alt.Chart(shown)
        .transform_filter(chosen)
        .transform_aggregate(n="count()", groupby=["technician"])
        .mark_text(align="left", baseline="bottom", dy=-6, fontWeight="bold", color=PLAIN)
        .encode(text="technician:N", x=alt.value(0), y=alt.value(0))
    )
    beside = alt.layer(zero, bars, dots, name).properties(width=210, height=alt.Step(TABLE_PX))
    more = shown.filter(pl.col("told") == words[0]).sort("technician", "title")
    said = "; ".join(f"{who}: {what}" for who, what in more.select("technician", "title").head(20).iter_rows())
    return alt.hconcat(board, beside, spacing=14).properties(
        description=f"Steps missed more often than peers on the same work, by technician: {said or 'none'}"
    )


def coaching_changes(coaching: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """What each coaching changed against peers, with 95% intervals; left of zero is fewer misses.

    Parameters
    ----------
    coaching
        `schemas.outputs.CoachingEffect` with a column `label`, who and what in words.
    """
    shown = coaching.filter(pl.col("change").is_not_null()).select(
        "label", "missed_before", "missed_after", "change", "lo", "hi"
    )
    base = alt.Chart(shown, width=420, height=ROW_PX * max(shown.height, 1)).encode(y=alt.Y("label:N", title=None))
    zero = alt.Chart(pl.DataFrame({"x": [0]})).mark_rule(color=CHANCE).encode(x="x:Q")
    axis = alt.X("lo:Q", axis=PERCENT, title="change in share missed against peers (left: better)")
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(x=axis, x2="hi:Q")
    dots = base.mark_point(filled=True, size=80, color=PLAIN, opacity=1).encode(
        x="change:Q",
        tooltip=[
            "label:N",
            alt.Tooltip("missed_before:Q", format=".0%", title="missed before"),
            alt.Tooltip("missed_after:Q", format=".0%", title="missed after"),
        ],
    )
    words = "; ".join(f"{label} {change:+.0%}" for label, change in shown.select("label", "change").iter_rows())
    return (zero + bars + dots).properties(description=f"Change in share missed after coaching, against peers: {words}")
