"""How far the log and the audit may be believed: the share of each field filled, and estimates held against truth."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.theme import PLAIN


def recorded_board(recorded: pl.DataFrame) -> alt.Chart:
    """Share recorded of each field by technician: the fuller the circle, the fuller the log.

    Parameters
    ----------
    recorded
        Columns field (in words), technician, share (fraction), bleeds.
    """
    least = recorded.sort("share").head(5)
    words = "; ".join(f"{f} of {t} {s:.0%}" for f, t, s in least.select("field", "technician", "share").iter_rows())
    return (
        alt.Chart(recorded)
        .mark_circle(color=PLAIN, opacity=0.9)
        .encode(
            x=alt.X("technician:N", title=None, axis={"labelAngle": -60, "orient": "top", "labelOverlap": False}),
            y=alt.Y("field:N", title=None, sort=None),
            size=alt.Size("share:Q", scale=alt.Scale(domain=[0, 1], range=[0, 200]), legend=alt.Legend(format=".0%")),
            tooltip=[
                alt.Tooltip("technician:N", title="technician"),
                alt.Tooltip("field:N", title="field"),
                alt.Tooltip("share:Q", format=".0%", title="recorded"),
                alt.Tooltip("bleeds:Q", title="bleeds"),
            ],
        )
        .properties(
            width=alt.Step(24),
            height=alt.Step(18),
            description=f"Share of bleeds with each field recorded; least: {words}",
        )
    )
