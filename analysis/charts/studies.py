"""Gauge studies, and the validation on simulated workshops."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.charts.own_look import with_built_in_look
from analysis.charts.theme import (
    CHANCE,
    COLOURS,
    HIGH,
    LOW,
    PLAIN,
    ROW_PX,
    UNTITLED,
    WIDTH,
    interval_rule,
    layer_charts,
    rows_height,
    wrap_label,
)

SHAPES = ("circle", "triangle-up", "square", "diamond", "cross", "triangle-down")
TECHNICIAN_COLOURS = (PLAIN, HIGH, LOW, COLOURS[1], CHANCE)
MARK_PX, WIDEST_PX, WIDTH_PX = 11, 60, 560
SOURCE_LABELS = {
    "repeatability": "repeatability",
    "reproducibility": "reproducibility",
    "gauge": "measurement error",
    "items": "between the items",
}
SD_AXIS = {"title": "standard deviation, in the reading's unit", "format": ".3~g"}
MET_LABELS = {True: "interval overlaps the target", False: "interval misses the target"}
NO_TARGET = "no target"
SHARE_AXIS = {"title": "share, with 95% interval", "format": ".0%"}


@with_built_in_look
def gauge_marks(readings: pl.DataFrame, heading: str) -> alt.Chart:
    """Every reading: items across, in order of their mean, each with one column of marks per technician.

    Marks far apart within a column: poor repeatability. Columns of one item at different heights: technicians read
    differently (poor reproducibility). Items at different heights: the differences the gauge is meant to detect.

    Parameters
    ----------
    readings
        Columns item, technician, reading.
    heading
        Name of the reading.
    """
    heading = " ".join(heading.split())  # headings in workbooks may have line breaks, which a title may not
    rows = readings.select("item", "technician", "reading")
    people = rows.get_column("technician").unique().sort().to_list()
    order = rows.group_by("item").agg(pl.col("reading").mean()).sort("reading", "item").get_column("item").to_list()
    colours = [TECHNICIAN_COLOURS[i % len(TECHNICIAN_COLOURS)] for i in range(len(people))]
    shapes = [SHAPES[i % len(SHAPES)] for i in range(len(people))]
    technician: dict[str, Any] = {"title": "technician", "legend": UNTITLED}
    step = max(MARK_PX * len(people), min(WIDEST_PX, WIDTH_PX / len(order)))
    low, high = (float(rows.select(end).item()) for end in (pl.min("reading"), pl.max("reading")))
    return (
        alt.Chart(rows)
        .mark_point(filled=True, size=55, opacity=0.85)
        .encode(
            x=alt.X("item:N", sort=order, title="item", axis={"labelAngle": -60}),
            xOffset=alt.XOffset("technician:N", title="technician", sort=people),
            y=alt.Y("reading:Q", title=heading, axis={"format": "~g"}, scale=alt.Scale(zero=False)),
            color=alt.Color("technician:N", scale=alt.Scale(domain=people, range=colours), **technician),
            shape=alt.Shape("technician:N", scale=alt.Scale(domain=people, range=shapes), **technician),
            tooltip=[
                alt.Tooltip("item:N", title="item"),
                alt.Tooltip("technician:N", title="technician"),
                alt.Tooltip("reading:Q", title=heading, format="~g"),
            ],
        )
        .properties(
            width=alt.Step(step, **{"for": "position"}),
            height=280,
            description=f"{heading}: {rows.height} readings of {len(order)} items, from {low:g} to {high:g}",
        )
    )


@with_built_in_look
def gauge_bars(table: pl.DataFrame) -> alt.LayerChart:
    """Standard deviation by source, with 95% intervals: measurement error against differences between items.

    Parameters
    ----------
    table
        `schemas.outputs.Gauge`.
    """
    kinds = ["measurement error", "items"]
    rows = table.filter(pl.col("source").is_in(list(SOURCE_LABELS))).with_columns(
        label=pl.col("source").replace(SOURCE_LABELS),
        kind=pl.when(pl.col("source") == "items").then(pl.lit("items")).otherwise(pl.lit("measurement error")),
    )
    base = alt.Chart(rows, width=420, height=ROW_PX * max(rows.height, 1)).encode(
        y=alt.Y("label:N", title="source", sort=list(SOURCE_LABELS.values()), axis=UNTITLED)
    )
    kind: dict[str, Any] = {"title": "kind", "legend": UNTITLED}
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        x=alt.X("sd:Q", title="standard deviation", axis=SD_AXIS),
        color=alt.Color("kind:N", scale=alt.Scale(domain=kinds, range=[HIGH, PLAIN]), **kind),
        shape=alt.Shape("kind:N", scale=alt.Scale(domain=kinds, range=["triangle-up", "circle"]), **kind),
        tooltip=[
            alt.Tooltip("label:N", title="source"),
            alt.Tooltip("sd:Q", title="standard deviation", format=".3g"),
            alt.Tooltip("lo:Q", title="from", format=".3g"),
            alt.Tooltip("hi:Q", title="to", format=".3g"),
            alt.Tooltip("share_of_total:Q", title="share of study variation", format=".0%"),
        ],
    )
    words = "; ".join(f"{source} {sd:.3g}" for source, sd in rows.select("label", "sd").iter_rows())
    chart: alt.LayerChart = layer_charts(interval_rule(base, "lo", "hi", SD_AXIS), dots)
    return chart.properties(description=f"Standard deviation by source: {words}")


@with_built_in_look
def proof_dots(proof: pl.DataFrame) -> alt.LayerChart | alt.FacetChart:
    """Shares of workshops or steps with their 95% intervals, and each target as a tick.

    Parameters
    ----------
    proof
        `schemas.outputs.Prove`; measures that are not shares are not drawn.
    """
    result = pl.when(pl.col("met")).then(pl.lit(MET_LABELS[True])).otherwise(pl.lit(MET_LABELS[False]))
    target = pl.coalesce("target_min", "target_max")
    rows = proof.filter("share").with_columns(
        label=pl.col("measure").map_elements(lambda text: wrap_label(text, 44), return_dtype=pl.String),
        target=target,
        result=pl.when(target.is_null()).then(pl.lit(NO_TARGET)).otherwise(result),
    )
    missed = rows.filter(pl.col("result") == MET_LABELS[False]).get_column("measure").to_list()
    base = alt.Chart(rows).encode(
        y=alt.Y("label:N", title="measure", sort=None, axis={**UNTITLED, "labelLimit": 320}),
        tooltip=[
            alt.Tooltip("measure:N", title="measure"),
            alt.Tooltip("value:Q", title="share", format=".1%"),
            alt.Tooltip("lo:Q", title="from", format=".1%"),
            alt.Tooltip("hi:Q", title="to", format=".1%"),
            alt.Tooltip("aim:N", title="target"),
            alt.Tooltip("workshops:Q", title="workshops", format=",d"),
        ],
    )
    results = alt.Scale(domain=[*MET_LABELS.values(), NO_TARGET], range=[LOW, HIGH, PLAIN])
    colour = alt.Color("result:N", title="result", legend=UNTITLED, scale=results)
    dots = base.mark_point(filled=True, size=60).encode(
        x=alt.X("value:Q", title="share", axis=SHARE_AXIS), color=colour
    )
    targets = base.mark_tick(thickness=3, height=ROW_PX - 8, opacity=0.7, aria=False)
    return layer_charts(
        interval_rule(base, "lo", "hi", SHARE_AXIS).encode(color=colour),
        dots,
        targets.encode(x=alt.X("target:Q", title="target", axis=SHARE_AXIS)),
    ).properties(
        width=WIDTH,
        height=rows_height(rows.get_column("label")),
        description=f"{rows.height} measures against their targets; missed: {'; '.join(missed) if missed else 'none'}",
    )
