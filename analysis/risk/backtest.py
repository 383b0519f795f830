"""Backtest: each bleed predicted by a model that knew only what was known before it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.risk.baselines import NAMES, fit_baselines
from analysis.risk.calibration import Calibration, recalibration
from analysis.risk.features import BleedFeatures
from analysis.risk.model import RiskModel
from analysis.risk.outcome import FollowUp
from analysis.stats import level_codes

FloatArray = NDArray[np.float64]
FOLDS, FEWER_FOLDS, FEWER_FROM = 4, 3, 2000
"""From this many bleeds on one fold fewer: what its models learn less by no longer tells."""
MIN_RETURNS, MIN_SHARE = 30, 0.3
"""The first bleeds foretold are those after so many returns were known and so large a share of bleeds begun."""
PREDICTION_FIELDS = ("risk", "lo", "hi", "log_odds", "baselines")


@dataclass(frozen=True)
class Outcome:
    """What became of each bleed: its course, the day it began (days since 1970), whether it was followed for the whole
    window, whether it came back in it, its bike (a number), and whether models learn from it."""

    follow_up: FollowUp
    day: NDArray[np.int64]
    mature: NDArray[np.bool_]
    came_back: NDArray[np.bool_]
    bike: NDArray[np.int64]
    learned: NDArray[np.bool_]


@dataclass(frozen=True)
class OutOfTimePredictions:
    """Out-of-time risks: one entry a bleed, NaN where none could be predicted (`has_prediction`).

    `baselines` has one column a simple rule, in the order of `baselines.NAMES`, all but the constant NaN for bleeds no model
    learns from; `model` is the last that predicted.
    """

    risk: FloatArray
    lo: FloatArray
    hi: FloatArray
    log_odds: FloatArray = field(repr=False)
    baselines: FloatArray = field(repr=False)
    model: RiskModel | None = field(default=None, repr=False)

    @property
    def has_prediction(self) -> NDArray[np.bool_]:
        return np.isfinite(self.risk)


def outcomes(data: BleedData, learned: BleedData | None = None) -> Outcome:
    """What became of the bleeds, in their order; models learn from the `learned` among them (all unless given)."""
    bleeds = data.bleeds
    session = bleeds.get_column("session_id")
    names = session if learned is None else learned.bleeds.get_column("session_id")
    end = bleeds.get_column("end")
    course = FollowUp(
        bleeds.get_column("days_at_risk").to_numpy(), (end == "return").to_numpy(), (end == "next_bleed").to_numpy()
    )
    return Outcome(
        course,
        bleeds.get_column("started_at").dt.date().to_physical().to_numpy().astype(np.int64),
        bleeds.get_column("mature").to_numpy(),
        bleeds.get_column("came_back").to_numpy(),
        level_codes(bleeds.get_column("bike_id")),
        session.is_in(names.implode()).to_numpy(),
    )


def backtest(features: BleedFeatures, outcome: Outcome, window_days: int) -> OutOfTimePredictions:
    """Risks by an expanding window in time (backtest).

    The bleeds after the first ones are cut into folds of whole days. The model of a fold learns from bleeds begun before
    its first day, followed up to the day before it; its calibration comes from the folds before. No feature names a bike;
    bleeds of one bike are clustered where the figures get their limits.

    Parameters
    ----------
    features
        Every bleed's.
    outcome
        What became of them.
    window_days
        The window.
    """
    n = len(outcome.day)
    risk, lo, hi, log_odds = np.full((4, n), np.nan)
    found, model = OutOfTimePredictions(risk, lo, hi, log_odds, np.full((n, len(NAMES)), np.nan)), None
    for first, last in _folds(outcome):
        rows = np.flatnonzero((outcome.day >= first) & (outcome.day < last))
        calibration = _calibration_before(found, outcome, first, window_days)
        fold = predict_out_of_time(features, outcome, rows, window_days, calibration, model)
        if fold is None:
            continue
        model = fold.model
        for name in PREDICTION_FIELDS:
            getattr(found, name)[rows] = getattr(fold, name)
    return replace(found, model=model)


def predict_out_of_time(
    features: BleedFeatures,
    outcome: Outcome,
    rows: NDArray[np.intp],
    window_days: int,
    calibration: Calibration | None = None,
    initial_model: RiskModel | None = None,
) -> OutOfTimePredictions | None:
    """Predict bleeds by a model that knew what was known on the day before the first of them; one entry a row.

    Parameters
    ----------
    features, outcome
        Every bleed's.
    rows
        Those to be predicted.
    window_days
        The window.
    calibration
        Of the model; none unless given.
    initial_model
        A model of the shop's, at whose coefficients the search for this one starts.

    Returns
    -------
    Foretold | None
        None where fewer than 30 had come back by then.
    """
    first = int(outcome.day[rows].min())
    before = np.flatnonzero((outcome.day < first) & outcome.learned)
    course = outcome.follow_up.take(before).censor_at(first - 1 - outcome.day[before])
    if course.returned.sum() < MIN_RETURNS:
        return None
    model = RiskModel.fit(features.take(before), course, window_days, initial_model).with_calibration(
        calibration or Calibration()
    )
    predicted = model.predict(features.table[rows])
    followed = before[(first - 1 - outcome.day[before] >= window_days) & outcome.mature[before]]
    rules = fit_baselines(features.take(followed), outcome.came_back[followed])
    asked = outcome.learned[rows]
    figures = np.full((len(rows), len(NAMES)), np.nan)
    figures[:, 0] = rules.rate
    if asked.any():
        figures[asked] = rules.predict(features.take(rows[asked]))
    return OutOfTimePredictions(predicted.risk, predicted.lo, predicted.hi, predicted.log_odds, figures, model)


def fit_calibration(predictions: OutOfTimePredictions, outcome: Outcome) -> Calibration:
    """From every out-of-time risk whose outcome is known."""
    known = predictions.has_prediction & outcome.mature
    return recalibration(predictions.log_odds[known], outcome.came_back[known])


def _folds(outcome: Outcome) -> list[tuple[int, int]]:
    """First day and the day after the last, fold by fold."""
    days = np.sort(outcome.day)
    back = np.sort((outcome.day + outcome.follow_up.days)[outcome.follow_up.returned])
    if len(back) < MIN_RETURNS:
        return []
    start = max(int(back[MIN_RETURNS - 1]) + 1, int(days[int(MIN_SHARE * len(days))]))
    days_left = days[days >= start]
    if not len(days_left):
        return []
    folds = FEWER_FOLDS if len(days) >= FEWER_FROM else FOLDS
    marks = [start, *(int(part[0]) for part in np.array_split(days_left, folds)[1:] if len(part)), int(days[-1]) + 1]
    marks = sorted(set(marks))
    return list(pairwise(marks))


def _calibration_before(
    predictions: OutOfTimePredictions, outcome: Outcome, first: int, window_days: int
) -> Calibration:
    known = predictions.has_prediction & outcome.mature & (outcome.day + window_days < first)
    return recalibration(predictions.log_odds[known], outcome.came_back[known])
