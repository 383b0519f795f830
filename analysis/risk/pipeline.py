"""Pipelines from bleeds to risks: ours, and any scikit-learn classifier on the same columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Self

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, TransformerMixin, clone
from sklearn.pipeline import Pipeline
from sklearn.utils import get_tags
from sklearn.utils.validation import check_is_fitted

from analysis.risk.classifier import RebleedClassifier
from analysis.risk.estimator_base import RiskClassifier, as_frame, check_input
from analysis.risk.feature_table import FeatureTable
from analysis.risk.features import BleedFeatures
from analysis.risk.preprocessing import AIR, fit_preprocessor, risk_columns
from analysis.standard import Standard

FloatArray = NDArray[np.float64]
MIN_OF_EACH = 5
MIN_RISK = 1e-6


class FeatureMatrix(TransformerMixin, BaseEstimator):
    """The columns of the risk model as numbers: text one-hot encoded, numbers scaled, missing values set to the mean and flagged."""

    def fit(self, X: pl.DataFrame | ArrayLike, y: ArrayLike | None = None) -> Self:
        """Learn the categories, limits, means and standard deviations of features (`BleedFeatures`), or of plain numbers."""
        features = as_frame(check_input(self, X, reset=True))
        columns = [c for c in risk_columns(features, ()) if c.field != AIR]
        self.preprocessor_ = fit_preprocessor(columns, FeatureTable(features))
        return self

    def transform(self, X: pl.DataFrame | ArrayLike) -> FloatArray:
        """Matrix n × columns, without missing values."""
        check_is_fitted(self)
        return self.preprocessor_.transform(FeatureTable(as_frame(check_input(self, X, reset=False))))

    def get_feature_names_out(self, input_features: ArrayLike | None = None) -> NDArray:
        """Names of the columns, in order."""
        check_is_fitted(self)
        return np.array([column.name for column in self.preprocessor_.columns], dtype=object)

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.input_tags.allow_nan = True
        return tags


class WindowClassifier(RiskClassifier):
    """Any classifier, fitted to the bleeds that were followed for the whole window: whether they came back within it.

    Parameters
    ----------
    classifier
        A classifier with `predict_proba`; None predicts the same risk for all bleeds.
    window_days
        Follow-up window in days.

    Attributes
    ----------
    rate_
        (comebacks + 1) / (bleeds + 2), the risk of every bleed if there are fewer than five of either outcome.
    classifier_
        The fitted classifier; None if `rate_` is used.
    """

    def __init__(self, classifier: Any = None, window_days: int = 90) -> None:
        self.classifier = classifier
        self.window_days = window_days

    def fit(self, X: pl.DataFrame | ArrayLike, y: ArrayLike) -> Self:
        """Fit to n bleeds; `y` as in `RebleedClassifier.fit`, or whether each came back.

        Raises
        ------
        ValueError
            The classifier has no `predict_proba`.
        """
        if self.classifier is not None and not hasattr(self.classifier, "predict_proba"):
            raise ValueError(
                f"{type(self.classifier).__name__} has no predict_proba; wrap it in CalibratedClassifierCV to get risks"
            )
        values = check_input(self, X, reset=True)
        follow_up = self._follow_up(y, len(values))
        rows = np.flatnonzero(follow_up.is_complete(self.window_days))
        came_back = follow_up.came_back(self.window_days)[rows]
        self.rate_ = float((came_back.sum() + 1) / (len(rows) + 2))
        too_few = min(came_back.sum(), (~came_back).sum()) < MIN_OF_EACH
        self.classifier_ = None
        if self.classifier is not None and not too_few:
            self.classifier_ = clone(self.classifier).fit(values[rows], came_back)
        return self

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.input_tags.allow_nan = self.classifier is None or get_tags(self.classifier).input_tags.allow_nan
        return tags

    def risks(self, X: pl.DataFrame | ArrayLike) -> FloatArray:
        """Risk of each bleed (n)."""
        check_is_fitted(self, "rate_")
        values = check_input(self, X, reset=False)
        if self.classifier_ is None:
            return np.full(len(values), self.rate_)
        return np.clip(self.classifier_.predict_proba(values)[:, 1], MIN_RISK, 1 - MIN_RISK)


def make_risk_pipeline(
    standard: Standard,
    classifier: Any = None,
    *,
    window_days: int | None = None,
    extra: Sequence[str] = (),
) -> Pipeline:
    """Build the pipeline from bleeds (`risk_data`) to risks that an audit uses.

    Parameters
    ----------
    standard
        The procedure.
    classifier
        None for `RebleedClassifier`. Any other classifier gets the same columns as numbers (`FeatureMatrix`) and only the
        bleeds whose window is over (`WindowClassifier`).
    window_days
        Follow-up window in days; None takes that of the procedure.
    extra
        Further fields, as in `BleedFeatures`.

    Returns
    -------
    Pipeline
        Steps `features` and `classifier`, with `matrix` between them for another classifier.
    """
    window = standard.window_days if window_days is None else window_days
    leak_steps = tuple(step.id for step in standard.steps if step.acts == "leak")
    features = ("features", BleedFeatures(standard, extra=extra, window_days=window))
    if classifier is None:
        classifier = RebleedClassifier(window, leak_steps=leak_steps)
    if isinstance(classifier, RebleedClassifier):
        return Pipeline([features, ("classifier", classifier)])
    windowed = WindowClassifier(classifier, window)
    return Pipeline([features, ("matrix", FeatureMatrix()), ("classifier", windowed)])
