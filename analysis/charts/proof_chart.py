"""The audit held against known truth: each measure with its interval beside what it should be."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.layering import layer_charts
from analysis.charts.theme import HIGH, LOW, PLAIN, ROW_PX, WIDTH, folded, rows_px

MET_LABELS = {"reached": "interval overlaps the target", "missed": "interval misses the target"}
NO_TARGET = "no target"


def proof_dots(proof: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Shares of workshops or steps with 95% intervals, and the aim as a bar across.

    Parameters
    ----------
    proof
        `schemas.outputs.Prove`; measures that are no shares stand in the table alone.
    """
    words = pl.when(pl.col("met")).then(pl.lit(MET_LABELS["reached"])).otherwise(pl.lit(MET_LABELS["missed"]))
    measures = proof.filter("share").with_columns(
        what=pl.col("measure").map_elements(lambda text: folded(text, 44), return_dtype=pl.String),
        aim_at=pl.coalesce("target_min", "target_max"),
        told=pl.when(pl.coalesce("target_min", "target_max").is_null()).then(pl.lit(NO_TARGET)).otherwise(words),
    )
    short = measures.filter(pl.col("told") == MET_LABELS["missed"]).get_column("measure").to_list()
    rows = measures.get_column("what").to_list()
    y = alt.Y("what:N", title=None, sort=None, axis={"labelLimit": 320})
    columns = [
        alt.Tooltip("measure:N"),
        *(alt.Tooltip(f"{name}:Q", format=".1%") for name in ("value", "lo", "hi")),
        alt.Tooltip("aim:N"),
        alt.Tooltip("worlds:Q", title="workshops"),
    ]
    colour = alt.Color(
        "told:N", title=None, scale=alt.Scale(domain=[*MET_LABELS.values(), NO_TARGET], range=[LOW, HIGH, PLAIN])
    )
    base = alt.Chart(measures).encode(y=y, tooltip=columns)
    return layer_charts(
        base.mark_rule(strokeWidth=2).encode(
            x=alt.X("lo:Q", title="share, with 95% interval", axis={"format": ".0%"}),
            x2=alt.X2("hi:Q"),
            color=colour,
        ),
        base.mark_point(filled=True, size=60).encode(x=alt.X("value:Q"), color=colour),
        base.mark_tick(thickness=3, height=ROW_PX - 8, opacity=0.7).encode(x=alt.X("aim_at:Q")),
    ).properties(
        width=WIDTH,
        height=rows_px(rows),
        description=f"{measures.height} measures against their targets; missed: {'; '.join(short) if short else 'none'}",
    )
