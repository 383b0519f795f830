"""Simple models that the risk model has to beat: a constant, the number of missed steps, the lever travel, default
trees.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.calibration import CalibrationLine, calibration_line, inverse_logit
from analysis.risk.feature_table import FeatureTable
from analysis.risk.features import CONTEXT_NUMBERS, HISTORY, MISSED_PREFIX, SIGNS, WORK_AMOUNTS, BleedFeatures

FloatArray = NDArray[np.float64]
CONSTANT, STEPS_MISSED, TRAVEL_RULE, DEFAULT_TREES = "constant", "missed steps", "lever travel", "default trees"
NAMES = (CONSTANT, STEPS_MISSED, TRAVEL_RULE, DEFAULT_TREES)
MIN_OF_EACH = 5
NO_SIGN = ("lever_travel_after_mm", "minutes")
"""Readings not given to the trees: covered by the travel above a firm lever's, or unrelated to the air left."""


@dataclass(frozen=True)
class BaselineModels:
    """Fitted baselines: the constant `rate`, a logistic line on each of two numbers, and trees; the rate alone with
    few comebacks.
    """

    rate: float
    steps: tuple[str, ...]
    lines: tuple[CalibrationLine, ...] = ()
    trees: Trees | None = None

    def predict(self, features: BleedFeatures) -> FloatArray:
        """Risk by each baseline (n × `NAMES`)."""
        predictions = np.full((features.feature_table.height, len(NAMES)), self.rate)
        for column_index, (line, column) in enumerate(zip(self.lines, _numbers(self.steps), strict=False), 1):
            predictions[:, column_index] = inverse_logit(line.intercept + line.slope * _filled(features.table, column))
        if self.trees is not None:
            predictions[:, -1] = self.trees.predict(features.feature_table, self.steps)
        return np.clip(predictions, 1e-6, 1 - 1e-6) if self.trees is not None else predictions


def fit_baselines(training: BleedFeatures, came_back: NDArray[np.bool_]) -> BaselineModels:
    """Fit every baseline.

    Parameters
    ----------
    training, came_back
        Features and outcomes of bleeds followed for the full window.
    """
    rate = float((came_back.sum() + 1) / (len(came_back) + 2))
    if min(came_back.sum(), (~came_back).sum()) < MIN_OF_EACH:
        return BaselineModels(rate, training.steps)
    lines = tuple(calibration_line(_filled(training.table, column), came_back) for column in _numbers(training.steps))
    return BaselineModels(rate, training.steps, lines, _fit_trees(training, came_back))


def _numbers(steps: tuple[str, ...]) -> tuple[pl.Expr, ...]:
    """Predictors of `STEPS_MISSED` and `TRAVEL_RULE`."""
    return _missed(steps), pl.col("travel_excess_mm").clip(0.0, None).cast(pl.Float64)


def _missed(steps: tuple[str, ...]) -> pl.Expr:
    return pl.sum_horizontal(pl.col(MISSED_PREFIX + step).fill_null(False).cast(pl.Float64) for step in steps)


def _filled(table: pl.DataFrame, column: pl.Expr) -> FloatArray:
    values = table.select(column.alias("value")).to_series().cast(pl.Float64)
    return values.fill_null(0.0).to_numpy()


@dataclass(frozen=True)
class Trees:
    """scikit-learn's histogram gradient boosting with default settings, and which columns were ever recorded."""

    classifier: Any
    recorded: NDArray[np.bool_]

    def predict(self, features: FeatureTable, steps: tuple[str, ...]) -> FloatArray:
        return np.asarray(self.classifier.predict_proba(_tree_features(features, steps)[:, self.recorded])[:, 1])


def _fit_trees(training: BleedFeatures, came_back: NDArray[np.bool_]) -> Trees:
    from sklearn.ensemble import HistGradientBoostingClassifier

    x = _tree_features(training.feature_table, training.steps)
    recorded = np.asarray(np.isfinite(x).any(axis=0))
    return Trees(HistGradientBoostingClassifier(random_state=0).fit(x[:, recorded], came_back), recorded)


def _tree_features(features: FeatureTable, steps: tuple[str, ...]) -> FloatArray:
    """Readings, work and history (n × columns); NaN where not recorded."""
    signs = ("travel_excess_mm", "trapped_air_ml", *(name for name in SIGNS if name not in NO_SIGN))
    names = (
        *signs,
        "hard_pull_firm",
        "leak_seen",
        *(MISSED_PREFIX + step for step in steps),
        *WORK_AMOUNTS,
        "flush_ratio",
    )
    columns = [features.numbers(name) for name in (*names, *CONTEXT_NUMBERS, *HISTORY)]
    return np.column_stack(
        [*columns, features.categories("hose_route").equal("internal"), features.categories("brake").equal("rear")]
    )
