"""Each step as it was recorded, nothing adjusted yet."""

from __future__ import annotations

import polars as pl

from analysis.dataset import BleedData

_SCHEMA = {
    "step": pl.String,
    "title": pl.String,
    "recorded": pl.Int64,
    "missed": pl.Int64,
    "share_missed": pl.Float64,
    "crude_difference": pl.Float64,
}


def crude_steps(data: BleedData) -> pl.DataFrame:
    """One row a step, in the standard's order.

    Columns
    -------
    step, title
        As in the standard.
    recorded, missed, share_missed
        Bleeds; missed / recorded, empty where nothing was recorded.
    crude_difference
        (rate missed − rate met) × share missed × 100, all three among the mature bleeds that recorded the step; empty
        where none of them missed it or none met it.
    """
    mature = data.bleeds.get_column("mature")
    back = data.bleeds.get_column("came_back").filter(mature)
    rows = []
    for step in data.standard.steps:
        missed = data.missed.get_column(step.id)
        recorded, misses = missed.count(), int(missed.sum())
        share = misses / recorded if recorded else None
        rows.append((step.id, step.title, recorded, misses, share, _crude_difference(missed.filter(mature), back)))
    return pl.DataFrame(rows, schema=_SCHEMA, orient="row")


def _crude_difference(missed: pl.Series, back: pl.Series) -> float | None:
    """Comebacks per 100 bleeds above what they would be at the rate of the bleeds that met the step."""
    known = missed.is_not_null()
    missing, returned = missed.filter(known).cast(pl.Float64).to_numpy(), back.filter(known).cast(pl.Float64).to_numpy()
    misses, met = missing.sum(), len(missing) - missing.sum()
    if not misses or not met:
        return None
    difference = returned @ missing / misses - returned @ (1 - missing) / met
    return float(difference * misses / len(missing) * 100)
