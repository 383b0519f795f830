"""Gauge studies: every reading as a mark, and how far readings spread for each reason."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.layering import layer_charts
from analysis.charts.theme import CHANCE, COLOURS, HIGH, LOW, PLAIN, ROW_PX

SHAPES = ("circle", "triangle-up", "square", "diamond", "cross", "triangle-down")
MARK_PX, WIDEST_PX, WIDTH_PX = 11, 60, 560
SOURCE_LABELS = {
    "repeatability": "repeatability",
    "reproducibility": "reproducibility",
    "gauge": "measurement error",
    "items": "between the items",
}


def gauge_marks(readings: pl.DataFrame, heading: str) -> alt.Chart:
    """Every reading: items across by their mean, in each a column of marks a technician.

    Marks of one column far apart: the reading does not repeat. Columns of one item at different heights: technicians
    read differently. Items at different heights: what the reading is for.

    Parameters
    ----------
    readings
        Columns item, technician, reading.
    heading
        What the reading is called.
    """
    heading = " ".join(heading.split())  # of two lines in a workbook, which no title of a reading may be
    rows = readings.select("item", "technician", "reading")
    people = rows.get_column("technician").unique().sort().to_list()
    order = rows.group_by("item").agg(pl.col("reading").mean()).sort("reading", "item").get_column("item").to_list()
    colours = [(PLAIN, HIGH, LOW, *COLOURS[1:2], CHANCE)[place % len(COLOURS)] for place in range(len(people))]
    shapes = [SHAPES[place % len(SHAPES)] for place in range(len(people))]
    return (
        alt.Chart(rows)
        .mark_point(filled=True, size=55, opacity=0.85)
        .encode(
            x=alt.X("item:N", sort=order, title="item", axis={"labelAngle": -60}),
            xOffset=alt.XOffset("technician:N", sort=people),
            y=alt.Y("reading:Q", title=heading, scale=alt.Scale(zero=False)),
            color=alt.Color("technician:N", scale=alt.Scale(domain=people, range=colours)),
            shape=alt.Shape("technician:N", scale=alt.Scale(domain=people, range=shapes)),
            tooltip=["item:N", "technician:N", alt.Tooltip("reading:Q", title=heading)],
        )
        .properties(
            width=alt.Step(max(MARK_PX * len(people), min(WIDEST_PX, WIDTH_PX / len(order))), **{"for": "position"}),
            height=280,
            description=f"{heading}: {rows.height} readings of {len(order)} items, from {_description(rows)}",
        )
    )


def gauge_bars(table: pl.DataFrame) -> alt.LayerChart:
    """Standard deviation by source, with 95% intervals: what is measuring, what is real.

    Parameters
    ----------
    table
        `schemas.outputs.Gauge`.
    """
    rows = table.filter(pl.col("source").is_in(list(SOURCE_LABELS))).with_columns(
        words=pl.col("source").replace(SOURCE_LABELS),
        kind=pl.when(pl.col("source") == "items").then(pl.lit("items")).otherwise(pl.lit("measurement error")),
    )
    base = alt.Chart(rows, width=420, height=ROW_PX * max(rows.height, 1)).encode(
        y=alt.Y("words:N", sort=list(SOURCE_LABELS.values()), title=None)
    )
    colour = alt.Color("kind:N", scale=alt.Scale(domain=["measurement error", "items"], range=[HIGH, PLAIN]))
    bars = base.mark_rule(strokeWidth=2, color=CHANCE).encode(
        x=alt.X("lo:Q", title="standard deviation, in the reading's unit"), x2=alt.X2("hi:Q")
    )
    dots = base.mark_point(filled=True, size=80, opacity=1).encode(
        x=alt.X("sd:Q"),
        color=colour,
        shape=alt.Shape(
            "kind:N", scale=alt.Scale(domain=["measurement error", "items"], range=["triangle-up", "circle"])
        ),
        tooltip=["words:N", alt.Tooltip("sd:Q", format=".3g"), alt.Tooltip("share_of_total:Q", format=".0%")],
    )
    words = "; ".join(f"{source} {sd:.3g}" for source, sd in rows.select("words", "sd").iter_rows())
    return layer_charts(bars, dots).properties(description=f"Standard deviation by source: {words}")


def _description(rows: pl.DataFrame) -> str:
    low, high = (float(rows.select(end).item()) for end in (pl.min("reading"), pl.max("reading")))
    return f"{low:g} to {high:g}"
