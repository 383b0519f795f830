"""Simple rules to beat: a constant, the count of missed steps, the lever's travel, boosted trees as they come."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.calibration import calibration_line, chance
from analysis.risk.cells import Cells
from analysis.risk.features import CONTEXT_NUMBERS, HISTORY, MISSED, READINGS, SIGNS, BleedFeatures

Numbers = NDArray[np.float64]
CONSTANT, STEPS_MISSED, TRAVEL_RULE, DEFAULT_TREES = "constant", "missed steps", "lever travel", "default trees"
NAMES = (CONSTANT, STEPS_MISSED, TRAVEL_RULE, DEFAULT_TREES)
LEAST_OF_EACH = 5
NO_SIGN = ("lever_travel_after_mm", "minutes")
"""Told otherwise (the travel beyond a firm brake's), or nothing of what was left in the brake."""


def rivals(learnt: BleedFeatures, came_back: NDArray[np.bool_], asked: BleedFeatures) -> Numbers:
    """What each rule, learnt from bleeds followed for the whole window, foretells: one column a rule of `NAMES`.

    Parameters
    ----------
    learnt, came_back
        Features and outcome of the bleeds learnt from.
    asked
        Features of the bleeds to be foretold.
    """
    rate = (came_back.sum() + 1) / (len(came_back) + 2)
    told = np.full((asked.cells.height, len(NAMES)), rate)
    if min(came_back.sum(), (~came_back).sum()) < LEAST_OF_EACH:
        return told
    for place, column in ((1, _missed(learnt.steps)), (2, pl.col("travel_excess_mm").clip(0.0, None).cast(pl.Float64))):
        told[:, place] = _by_one(_filled(learnt.table, column), came_back, _filled(asked.table, column))
    told[:, 3] = _by_trees(learnt, came_back, asked)
    return np.clip(told, 1e-6, 1 - 1e-6)


def _missed(steps: tuple[str, ...]) -> pl.Expr:
    return pl.sum_horizontal(pl.col(MISSED + step).fill_null(False).cast(pl.Float64) for step in steps)


def _filled(table: pl.DataFrame, column: pl.Expr) -> Numbers:
    values = table.select(column.alias("value")).to_series().cast(pl.Float64)
    return values.fill_null(0.0).to_numpy()


def _by_one(x: Numbers, came_back: NDArray[np.bool_], asked: Numbers) -> Numbers:
    line = calibration_line(x, came_back)
    return chance(line.intercept + line.slope * asked)


def _by_trees(learnt: BleedFeatures, came_back: NDArray[np.bool_], asked: BleedFeatures) -> Numbers:
    """scikit-learn's histogram gradient boosting, nothing set but the seed."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    x = _told_to_trees(learnt.cells, learnt.steps)
    told = np.isfinite(x).any(axis=0)
    grown = HistGradientBoostingClassifier(random_state=0).fit(x[:, told], came_back)
    return np.asarray(grown.predict_proba(_told_to_trees(asked.cells, learnt.steps)[:, told])[:, 1])


def _told_to_trees(cells: Cells, steps: tuple[str, ...]) -> Numbers:
    """What was read, done and known, one column each; NaN where not recorded."""
    signs = ("travel_excess_mm", "trapped_air_ml", *(name for name in SIGNS if name not in NO_SIGN))
    names = (*signs, "hard_pull_firm", "leak_seen", *(MISSED + step for step in steps), *READINGS, "flush_ratio")
    told = [cells.numbers(name) for name in (*names, *CONTEXT_NUMBERS, *HISTORY)]
    return np.column_stack([*told, cells.words("hose_route").are("internal"), cells.words("brake").are("rear")])
