"""Simple rules to beat: a constant, the count of missed steps, the lever's travel, boosted trees as they come."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.calibration import calibration_line, chance
from analysis.risk.features import MISSED, BleedFeatures
from analysis.risk.trees import told_inputs, values_of_all

Numbers = NDArray[np.float64]
CONSTANT, STEPS_MISSED, TRAVEL_RULE, DEFAULT_TREES = "constant", "missed steps", "lever travel", "default trees"
NAMES = (CONSTANT, STEPS_MISSED, TRAVEL_RULE, DEFAULT_TREES)
LEAST_OF_EACH = 5


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

    columns = [one.column for one in told_inputs(learnt.cells, learnt.steps)]
    x, fresh = values_of_all(learnt.cells, columns), values_of_all(asked.cells, columns)
    grown = HistGradientBoostingClassifier(random_state=0).fit(x, came_back)
    return np.asarray(grown.predict_proba(fresh)[:, 1])
