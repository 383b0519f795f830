"""Simple classifiers that the risk model has to beat: a constant, the number of missed steps, the lever travel, default
trees.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from sklearn.compose import ColumnTransformer
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import FunctionTransformer

from analysis.risk.feature_table import FeatureTable
from analysis.risk.features import CONTEXT_NUMBERS, HISTORY, MISSED_PREFIX, SIGNS, WORK_AMOUNTS, steps_of
from analysis.risk.pipeline import WindowClassifier

FloatArray = NDArray[np.float64]
CONSTANT, STEPS_MISSED, TRAVEL_RULE, DEFAULT_TREES = "constant", "missed steps", "lever travel", "default trees"
NAMES = (CONSTANT, STEPS_MISSED, TRAVEL_RULE, DEFAULT_TREES)
NO_SIGN = ("lever_travel_after_mm", "minutes")
"""Readings not given to the trees: covered by the travel above a firm lever's, or unrelated to the air left."""
TREE_NUMBERS = (
    "travel_excess_mm", "trapped_air_ml", *(name for name in SIGNS if name not in NO_SIGN), "hard_pull_firm", "leak_seen"
)  # fmt: skip


def baselines(window_days: int) -> dict[str, WindowClassifier]:
    """The simple classifiers by name; each takes features of `BleedFeatures` and a follow-up."""
    classifiers: dict[str, Any] = {
        CONSTANT: None,
        STEPS_MISSED: _logistic_regression_on(_count_missed_steps),
        TRAVEL_RULE: _logistic_regression_on(_excess_travel),
        DEFAULT_TREES: make_pipeline(
            FunctionTransformer(_tree_features),
            ColumnTransformer([("recorded", "passthrough", _columns_with_values)]),
            HistGradientBoostingClassifier(random_state=0),
        ),
    }
    return {name: WindowClassifier(classifier, window_days) for name, classifier in classifiers.items()}


def _logistic_regression_on(number: Any) -> Any:
    """Logistic regression on one number, with a ridge that only keeps it finite."""
    line = LogisticRegression(C=1e9, solver="newton-cholesky", tol=1e-9)
    return make_pipeline(FunctionTransformer(number), line)


def _count_missed_steps(features: pl.DataFrame) -> FloatArray:
    missed = [pl.col(MISSED_PREFIX + step).fill_null(False).cast(pl.Float64) for step in steps_of(features)]
    return features.select(missed=pl.sum_horizontal(missed)).to_numpy()


def _excess_travel(features: pl.DataFrame) -> FloatArray:
    return features.select(pl.col("travel_excess_mm").clip(0.0, None).fill_null(0.0)).to_numpy()


def _tree_features(features: pl.DataFrame) -> FloatArray:
    """Readings, work and history (n × columns); NaN where not recorded."""
    table = FeatureTable(features)
    missed = (MISSED_PREFIX + step for step in steps_of(features))
    names = (*TREE_NUMBERS, *missed, *WORK_AMOUNTS, "flush_ratio", *CONTEXT_NUMBERS, *HISTORY)
    words = (("hose_route", "internal"), ("brake", "rear"))
    return np.column_stack(
        [*map(table.numbers, names), *(table.categories(word).equal(level) for word, level in words)]
    )


def _columns_with_values(x: FloatArray) -> NDArray[np.bool_]:
    """Columns with at least one value."""
    return np.asarray(np.isfinite(x).any(axis=0))
