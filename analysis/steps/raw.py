"""Each step as it was recorded, nothing adjusted yet."""

from __future__ import annotations

import polars as pl

from analysis.prepared import Prepared


def raw_steps(prepared: Prepared) -> pl.DataFrame:
    """One row a step, in the standard's order.

    Columns: step, title, recorded, missed (bleeds), share_missed (of recorded), recorded_met, naive_difference
    ((rate missed − rate met) × share missed × 100 over mature bleeds; empty where either has no mature bleed).
    """
    mature, back = prepared.bleeds.get_column("mature"), prepared.bleeds.get_column("came_back").cast(pl.Float64)
    rows = []
    for step in prepared.standard.steps:
        missed = prepared.missed.get_column(step.id)
        recorded, misses = missed.count(), int(missed.sum())
        share = misses / recorded if recorded else None
        when_missed, when_met = (back.filter(mature & (missed == state)).mean() for state in (True, False))
        told = share is not None and when_missed is not None and when_met is not None
        rows.append(
            {
                "step": step.id,
                "title": step.title,
                "recorded": recorded,
                "missed": misses,
                "share_missed": share,
                "naive_difference": (when_missed - when_met) * share * 100 if told else None,  # type: ignore[operator]
            }
        )
    floats = {"share_missed": pl.Float64, "naive_difference": pl.Float64}
    return pl.DataFrame(rows, schema_overrides=floats)
