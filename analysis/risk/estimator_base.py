"""What the two kinds of risk classifier share: their input, their labels, and what follows from a risk."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.utils.multiclass import check_classification_targets, type_of_target
from sklearn.utils.validation import _check_feature_names, _num_samples, check_is_fitted, column_or_1d, validate_data

from analysis.risk.outcome import FollowUp, as_follow_up, mean_log_likelihood

FloatArray = NDArray[np.float64]


def check_input(estimator: Any, X: pl.DataFrame | ArrayLike, *, reset: bool) -> pl.DataFrame | FloatArray:
    """A polars frame as it is, with its names checked; anything else as a matrix of numbers, NaN allowed.

    Raises
    ------
    ValueError
        No rows or columns, other columns than in fitting, or not numbers.
    """
    if not isinstance(X, pl.DataFrame):
        return validate_data(estimator, X, reset=reset, dtype=np.float64, ensure_all_finite="allow-nan")
    if X.is_empty():
        raise ValueError(f"X has {X.height} rows and {X.width} columns; a minimum of 1 of each is required")
    _check_feature_names(estimator, X, reset=reset)
    if reset:
        estimator.n_features_in_ = X.width
    return X


def as_frame(values: pl.DataFrame | FloatArray) -> pl.DataFrame:
    """A frame as it is; columns of a matrix as own features x0, x1, …"""
    if isinstance(values, pl.DataFrame):
        return values
    return pl.DataFrame({f"x{number}": column for number, column in enumerate(values.T)}).fill_nan(None)


class RiskClassifier(ClassifierMixin, BaseEstimator):
    """A classifier that gives the risk of a comeback within `window_days`, and takes a follow-up or two labels as `y`."""

    window_days: int
    classes_: NDArray

    def risks(self, X: pl.DataFrame | ArrayLike) -> FloatArray:
        """Risk of each bleed (n)."""
        raise NotImplementedError

    def predict_proba(self, X: pl.DataFrame | ArrayLike) -> FloatArray:
        """Probability of no comeback and of a comeback within the window (n × 2)."""
        risk = self.risks(X)
        return np.column_stack([1 - risk, risk])

    def predict(self, X: pl.DataFrame | ArrayLike) -> NDArray:
        """The likelier label of each bleed (n); rarely of use, since few bleeds come back more often than not."""
        check_is_fitted(self)
        comes_back = self.risks(X) > 0.5
        return np.asarray(self.classes_[comes_back.astype(int)])

    def score(self, X: pl.DataFrame | ArrayLike, y: ArrayLike, sample_weight: None = None) -> float:
        """Minus the mean log loss of the bleeds followed for the whole window; higher is better."""
        return mean_log_likelihood(self.risks(X), self._came_back_labels(y), self.window_days)

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.classifier_tags.multi_class = False
        tags.input_tags.allow_nan = True
        return tags

    def _follow_up(self, y: ArrayLike, rows: int) -> FollowUp:
        """The follow-up in `y`; learns `classes_`."""
        if y is None:
            raise ValueError(f"{type(self).__name__} requires y to be passed, but the target y is None")
        if np.asarray(y).dtype.names is None:
            y = column_or_1d(y, warn=True)
            check_classification_targets(y)
            kind = type_of_target(y, input_name="y", raise_unknown=True)
            if kind != "binary":
                raise ValueError(f"Only binary classification is supported. The type of the target is {kind}.")
            self.classes_ = np.unique(y)
            if len(self.classes_) < 2:
                raise ValueError("y has one class only; expected bleeds that came back and bleeds that did not")
        else:
            self.classes_ = np.array([False, True])
        if _num_samples(y) != rows:
            raise ValueError(f"X has {rows} rows and y {_num_samples(y)}; expected the same number")
        return as_follow_up(self._came_back_labels(y), self.window_days)

    def _came_back_labels(self, y: ArrayLike) -> NDArray:
        """Follow-up as it is; labels as whether they are that of a comeback."""
        values = np.asarray(y)
        return values if values.dtype.names is not None else values == self.classes_[-1]
