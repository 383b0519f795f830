"""Backtest: each bleed predicted by a model fitted to what was known before it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from sklearn.base import clone
from sklearn.model_selection import BaseCrossValidator

from analysis.risk.calibration import Calibration, recalibration
from analysis.risk.classifier import RebleedClassifier
from analysis.risk.features import DAY
from analysis.risk.model import Predictions
from analysis.risk.outcome import FollowUp, as_follow_up

FloatArray = NDArray[np.float64]
Days = NDArray[np.int64]
FOLDS, FEWER_FOLDS, FEWER_FOLDS_FROM = 4, 3, 2000
"""Folds of the expanding window; one fewer from this many bleeds on."""
MIN_RETURNS, MIN_SHARE = 30, 0.3
"""The first fold starts once this many returns are known and this share of bleeds has begun."""


class OutOfTimeSplit(BaseCrossValidator):
    """Folds of whole days, each tested after its training data; training uses only bleeds whose window was over.

    The first fold starts once 30 returns are known and 30% of the bleeds have begun; later bleeds are split into folds of
    about equal size. The test rows are bleeds followed for the whole window. `RebleedClassifier` uses no follow-up
    later than the training bleeds' windows. The backtest of an audit makes its folds by the same rule, but has one
    fewer with 2,000 bleeds or more, skips a fold before which fewer than 30 returns were known, and also trains on bleeds
    whose window is not over.

    Parameters
    ----------
    n_splits
        Number of folds; there may be fewer if few days are left.
    window_days
        Follow-up window in days.
    """

    def __init__(self, n_splits: int = FOLDS, window_days: int = 90) -> None:
        self.n_splits = n_splits
        self.window_days = window_days

    def split(
        self, X: pl.DataFrame, y: ArrayLike, groups: None = None
    ) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp]]]:
        """Training rows and test rows, fold by fold.

        Parameters
        ----------
        X
            n bleeds of `risk_data`, or features of `BleedFeatures`.
        y
            Their follow-up.

        Raises
        ------
        ValueError
            Too few comebacks, or too few days, for one fold; or `X` has no day.
        """
        parts = list(self._training_and_test_rows(X, y))
        if not parts:
            raise ValueError(
                f"no fold can be made: expected {MIN_RETURNS} comebacks, then bleeds at least {self.window_days} days after "
                "the first ones that were themselves followed for as long"
            )
        yield from parts

    def get_n_splits(self, X: pl.DataFrame | None = None, y: ArrayLike | None = None, groups: None = None) -> int:
        """Number of folds of these bleeds; `n_splits` without any."""
        return self.n_splits if X is None or y is None else len(list(self._training_and_test_rows(X, y)))

    def folds(self, day: Days, follow_up: FollowUp) -> list[tuple[int, int]]:
        """First day, and day after the last, of each fold; days since 1970."""
        days = np.sort(day)
        return_days = np.sort((day + follow_up.days)[follow_up.returned])
        if len(return_days) < MIN_RETURNS:
            return []
        start = max(int(return_days[MIN_RETURNS - 1]) + 1, int(days[int(MIN_SHARE * len(days))]))
        days_left = days[days >= start]
        if not len(days_left):
            return []
        starts = {int(part[0]) for part in np.array_split(days_left, self.n_splits) if len(part)}
        return list(pairwise(sorted({*starts, int(days[-1]) + 1})))

    def _training_and_test_rows(
        self, X: pl.DataFrame, y: ArrayLike
    ) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp]]]:
        day, follow_up = start_days(X), as_follow_up(y, self.window_days)
        complete = follow_up.is_complete(self.window_days)
        for first, last in self.folds(day, follow_up):
            training = np.flatnonzero((day + self.window_days < first) & complete)
            test = np.flatnonzero((day >= first) & (day < last) & complete)
            if len(training) and len(test):
                yield training, test


def start_days(X: pl.DataFrame) -> Days:
    """Day on which each bleed began, in days since 1970."""
    for name in (DAY, "started_at"):
        if isinstance(X, pl.DataFrame) and name in X.columns:
            return X.get_column(name).dt.date().to_physical().to_numpy().astype(np.int64)
    raise ValueError("X has no column started_at or day; expected bleeds of risk_data")


@dataclass(frozen=True)
class BacktestBleeds:
    """n bleeds to predict out of time: features, follow-up, code of the bike, and whether models are fitted to each."""

    features: pl.DataFrame
    follow_up: FollowUp
    bike: NDArray[np.int64]
    is_training: NDArray[np.bool_]
    window_days: int

    @cached_property
    def day(self) -> Days:
        return start_days(self.features)

    @property
    def came_back(self) -> NDArray[np.bool_]:
        return self.follow_up.came_back(self.window_days)

    @property
    def is_complete(self) -> NDArray[np.bool_]:
        """Whether each was followed for the whole window."""
        return self.follow_up.is_complete(self.window_days)

    @cached_property
    def folds(self) -> list[tuple[int, int]]:
        """Days of the folds in which at least 30 returns were known by the day before."""
        number = FEWER_FOLDS if len(self.day) >= FEWER_FOLDS_FROM else FOLDS
        folds = OutOfTimeSplit(number, self.window_days).folds(self.day, self.follow_up)
        return [fold for fold in folds if self.known_before(fold[0])[1].returned.sum() >= MIN_RETURNS]

    def known_before(self, first: int) -> tuple[NDArray[np.intp], FollowUp]:
        """Bleeds to fit that began before a day, and their follow-up as known the day before."""
        rows = np.flatnonzero((self.day < first) & self.is_training)
        return rows, self.follow_up.take(rows).censor_at(first - 1 - self.day[rows])

    def training_before(self, first: int) -> tuple[pl.DataFrame, NDArray]:
        """Features and `y` to fit a classifier to what was known the day before."""
        rows, follow_up = self.known_before(first)
        return self.features[rows], follow_up.to_array()

    def between(self, first: int, last: int) -> NDArray[np.intp]:
        """Bleeds begun from one day up to the day before another."""
        return np.flatnonzero((self.day >= first) & (self.day < last))


def backtest(bleeds: BacktestBleeds, classifier: RebleedClassifier) -> Predictions:
    """Out-of-time risks by an expanding window; NaN where none could be predicted.

    Bleeds after the first ones are split into folds of whole days. A fold's model is fitted to bleeds begun before its
    first day, followed up to the day before it, and calibrated on earlier folds. Bleeds of one bike can be on both
    sides, but no feature names a bike; limits of the quality figures are clustered by bike.

    Parameters
    ----------
    bleeds
        All bleeds.
    classifier
        Fitted to each fold in turn; it begins at the coefficients of the fold before if it has `warm_start`.
    """
    risk, lo, hi, log_odds = np.full((4, len(bleeds.bike)), np.nan)
    result = Predictions(risk, lo, hi, log_odds)
    for first, last in bleeds.folds:
        rows = bleeds.between(first, last)
        is_known = bleeds.is_complete & (bleeds.day + bleeds.window_days < first)
        fitted = classifier.fit(*bleeds.training_before(first)).recalibrate(fit_calibration(result, bleeds, is_known))
        for name, values in vars(fitted.predictions(bleeds.features[rows])).items():
            getattr(result, name)[rows] = values
    return result


def backtest_others(bleeds: BacktestBleeds, classifiers: Mapping[str, Any]) -> dict[str, FloatArray]:
    """Out-of-time risks of any classifiers, by name, on the same folds; NaN where none could be predicted."""
    risks = {name: np.full(len(bleeds.bike), np.nan) for name in classifiers}
    for first, last in bleeds.folds:
        rows = bleeds.between(first, last)
        (training, y), later = bleeds.training_before(first), bleeds.features[rows]
        for name, classifier in classifiers.items():
            risks[name][rows] = clone(classifier).fit(training, y).predict_proba(later)[:, 1]
    return risks


def fit_calibration(predictions: Predictions, bleeds: BacktestBleeds, is_known: NDArray[np.bool_]) -> Calibration:
    """Recalibrate on the out-of-time risks of the bleeds whose outcome is known."""
    testable = np.isfinite(predictions.risk) & is_known
    return recalibration(predictions.log_odds[testable], bleeds.came_back[testable])
