"""Learning curves of new technicians."""

from __future__ import annotations

import altair as alt
import polars as pl

from analysis.charts.chart_tables import Source, table_from_source
from analysis.charts.own_look import with_built_in_look
from analysis.charts.rates import MAX_GROUPS
from analysis.charts.theme import CHANCE, HIGH, LOW, UNTITLED, WIDTH, layer_charts

MAX_ROWS_EACH = 400
CLEARED, POOR = "as good as peers", "needs help"
AXIS = {"title": "evidence, as a share of its limit", "tickCount": 4}


@with_built_in_look
def learning_curves(curves: Source) -> alt.FacetChart:
    """Both CUSUMs of each learner, bleed by bleed, as fractions of their limits; the line marks the limit.

    Parameters
    ----------
    curves
        `schemas.outputs.LearnerCurves`. Shows at most 60 learners, one panel each, and 400 bleeds per learner.
    """
    curves = table_from_source(curves, "learner_curves")
    names = curves.get_column("technician").unique().sort().head(MAX_GROUPS)
    rows = curves.filter(pl.col("technician").is_in(names.implode()), pl.col("bleed_no") <= MAX_ROWS_EACH)
    columns = ((CLEARED, "cusum", "cusum_limit"), (POOR, "help_cusum", "help_limit"))
    sides = pl.concat(
        rows.select(
            "technician", "bleed_no", "missed", "expected", side=pl.lit(side), share=pl.col(total) / pl.col(limit)
        )
        for side, total, limit in columns
    )
    data = alt.Chart(sides, width=WIDTH, height=110)
    scale = alt.Scale(domain=[CLEARED, POOR], range=[LOW, HIGH])
    lines = data.mark_line(clip=True).encode(
        x=alt.X("bleed_no:Q", title="bleed", axis={"title": "bleeds since the first day"}),
        y=alt.Y("share:Q", title="share of the limit", axis=AXIS, scale=alt.Scale(domain=[0, 2])),
        color=alt.Color("side:N", title="evidence", scale=scale, legend=UNTITLED),
        strokeDash=alt.StrokeDash("side:N", title="evidence", legend=None),
        tooltip=[
            alt.Tooltip("technician:N", title="technician"),
            alt.Tooltip("bleed_no:Q", title="bleed", format="d"),
            alt.Tooltip("missed:Q", title="steps missed", format="d"),
            alt.Tooltip("expected:Q", title="expected of peers", format=".1f"),
        ],
    )
    limit = data.mark_rule(color=CHANCE, strokeDash=[4, 3], aria=False).encode(y=alt.YDatum(1))
    words = ", ".join(names.head(20))
    return (
        layer_charts(limit, lines)
        .facet(row=alt.Row("technician:N", title="technician", header=alt.Header(title=None)))
        .properties(description=f"Learning curves of {words}: evidence of being as good as peers, and of needing help")
    )
