"""Simple rules to beat: a constant, the count of missed steps, the lever's travel, boosted trees as they come."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.calibration import Line, calibration_line, chance
from analysis.risk.cells import Cells
from analysis.risk.features import CONTEXT_NUMBERS, HISTORY, MISSED, READINGS, SIGNS, BleedFeatures

Numbers = NDArray[np.float64]
CONSTANT, STEPS_MISSED, TRAVEL_RULE, DEFAULT_TREES = "constant", "missed steps", "lever travel", "default trees"
NAMES = (CONSTANT, STEPS_MISSED, TRAVEL_RULE, DEFAULT_TREES)
LEAST_OF_EACH = 5
NO_SIGN = ("lever_travel_after_mm", "minutes")
"""Told otherwise (the travel beyond a firm brake's), or nothing of what was left in the brake."""


@dataclass(frozen=True)
class Rivals:
    """The rules as they were learnt: the constant `rate`, a line on each of two numbers, and trees; no more than the rate
    where too few came back."""

    rate: float
    steps: tuple[str, ...]
    lines: tuple[Line, ...] = ()
    trees: Trees | None = None

    def told(self, asked: BleedFeatures) -> Numbers:
        """What each rule foretells of bleeds: one column a rule of `NAMES`."""
        told = np.full((asked.cells.height, len(NAMES)), self.rate)
        for place, (line, column) in enumerate(zip(self.lines, _numbers(self.steps), strict=False), 1):
            told[:, place] = chance(line.intercept + line.slope * _filled(asked.table, column))
        if self.trees is not None:
            told[:, -1] = self.trees.told(asked.cells, self.steps)
        return np.clip(told, 1e-6, 1 - 1e-6) if self.trees is not None else told


def rivals(learnt: BleedFeatures, came_back: NDArray[np.bool_]) -> Rivals:
    """Each rule learnt from bleeds followed for the whole window.

    Parameters
    ----------
    learnt, came_back
        Features and outcome of the bleeds learnt from.
    """
    rate = float((came_back.sum() + 1) / (len(came_back) + 2))
    if min(came_back.sum(), (~came_back).sum()) < LEAST_OF_EACH:
        return Rivals(rate, learnt.steps)
    lines = tuple(calibration_line(_filled(learnt.table, column), came_back) for column in _numbers(learnt.steps))
    return Rivals(rate, learnt.steps, lines, _trees(learnt, came_back))


def _numbers(steps: tuple[str, ...]) -> tuple[pl.Expr, ...]:
    """What `STEPS_MISSED` and `TRAVEL_RULE` go by."""
    return _missed(steps), pl.col("travel_excess_mm").clip(0.0, None).cast(pl.Float64)


def _missed(steps: tuple[str, ...]) -> pl.Expr:
    return pl.sum_horizontal(pl.col(MISSED + step).fill_null(False).cast(pl.Float64) for step in steps)


def _filled(table: pl.DataFrame, column: pl.Expr) -> Numbers:
    values = table.select(column.alias("value")).to_series().cast(pl.Float64)
    return values.fill_null(0.0).to_numpy()


@dataclass(frozen=True)
class Trees:
    """scikit-learn's histogram gradient boosting, nothing set but the seed, and the columns that were ever recorded."""

    grown: Any
    recorded: NDArray[np.bool_]

    def told(self, cells: Cells, steps: tuple[str, ...]) -> Numbers:
        return np.asarray(self.grown.predict_proba(_told_to_trees(cells, steps)[:, self.recorded])[:, 1])


def _trees(learnt: BleedFeatures, came_back: NDArray[np.bool_]) -> Trees:
    from sklearn.ensemble import HistGradientBoostingClassifier

    x = _told_to_trees(learnt.cells, learnt.steps)
    recorded = np.asarray(np.isfinite(x).any(axis=0))
    return Trees(HistGradientBoostingClassifier(random_state=0).fit(x[:, recorded], came_back), recorded)


def _told_to_trees(cells: Cells, steps: tuple[str, ...]) -> Numbers:
    """What was read, done and known, one column each; NaN where not recorded."""
    signs = ("travel_excess_mm", "trapped_air_ml", *(name for name in SIGNS if name not in NO_SIGN))
    names = (*signs, "hard_pull_firm", "leak_seen", *(MISSED + step for step in steps), *READINGS, "flush_ratio")
    told = [cells.numbers(name) for name in (*names, *CONTEXT_NUMBERS, *HISTORY)]
    return np.column_stack([*told, cells.words("hose_route").are("internal"), cells.words("brake").are("rear")])
