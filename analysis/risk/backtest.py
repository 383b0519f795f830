"""Backtest: each bleed predicted by a model fitted to what was known before it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.risk.baselines import NAMES, fit_baselines
from analysis.risk.calibration import Calibration, recalibration
from analysis.risk.features import BleedFeatures
from analysis.risk.hazard_model import FollowUp
from analysis.risk.model import RiskModel
from analysis.stats import level_codes

FloatArray = NDArray[np.float64]
FOLDS, FEWER_FOLDS, FEWER_FOLDS_FROM = 4, 3, 2000
"""Folds of the expanding window; one fewer from this many bleeds on."""
MIN_RETURNS, MIN_SHARE = 30, 0.3
"""The first fold starts once this many returns are known and this share of bleeds has begun."""
PREDICTION_FIELDS = ("risk", "lo", "hi", "log_odds", "baselines")


@dataclass(frozen=True)
class Outcome:
    """Outcome of n bleeds: follow-up, day begun (days since 1970), whether followed for the full window, whether it
    came back in it, bike code, and whether models are fitted to it.
    """

    follow_up: FollowUp
    day: NDArray[np.int64]
    mature: NDArray[np.bool_]
    came_back: NDArray[np.bool_]
    bike: NDArray[np.int64]
    is_training: NDArray[np.bool_]


@dataclass(frozen=True)
class OutOfTimePredictions:
    """Out-of-time risks of n bleeds; NaN where none could be predicted.

    `baselines` is n × `baselines.NAMES`; for bleeds outside the fitted sample all but the constant are NaN. `model` is
    the last model that predicted.
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


def outcomes(data: BleedData, fit_sample: BleedData | None = None) -> Outcome:
    """Outcome of every bleed; models are fitted to `fit_sample` (all by default)."""
    bleeds = data.bleeds
    sessions = bleeds.get_column("session_id")
    fit_sessions = sessions if fit_sample is None else fit_sample.bleeds.get_column("session_id")
    end = bleeds.get_column("end")
    follow_up = FollowUp(
        bleeds.get_column("days_at_risk").to_numpy(), (end == "return").to_numpy(), (end == "next_bleed").to_numpy()
    )
    return Outcome(
        follow_up,
        bleeds.get_column("started_at").dt.date().to_physical().to_numpy().astype(np.int64),
        bleeds.get_column("mature").to_numpy(),
        bleeds.get_column("came_back").to_numpy(),
        level_codes(bleeds.get_column("bike_id")),
        sessions.is_in(fit_sessions.implode()).to_numpy(),
    )


def backtest(features: BleedFeatures, outcome: Outcome, window_days: int) -> OutOfTimePredictions:
    """Out-of-time risks by an expanding window.

    Bleeds after the first ones are split into folds of whole days. A fold's model is fitted to bleeds begun before its
    first day, followed up to the day before it, and calibrated on earlier folds. Bleeds of one bike can be on both
    sides, but no feature names a bike; limits of the quality figures are clustered by bike.

    Parameters
    ----------
    features
        All bleeds.
    outcome
        Their outcomes.
    window_days
        Follow-up window.
    """
    size = len(outcome.day)
    risk, lo, hi, log_odds = np.full((4, size), np.nan)
    predictions, model = OutOfTimePredictions(risk, lo, hi, log_odds, np.full((size, len(NAMES)), np.nan)), None
    for first, last in _folds(outcome):
        rows = np.flatnonzero((outcome.day >= first) & (outcome.day < last))
        calibration = _calibration_before(predictions, outcome, first, window_days)
        fold = predict_out_of_time(features, outcome, rows, window_days, calibration, model)
        if fold is None:
            continue
        model = fold.model
        for name in PREDICTION_FIELDS:
            getattr(predictions, name)[rows] = getattr(fold, name)
    return replace(predictions, model=model)


def predict_out_of_time(
    features: BleedFeatures,
    outcome: Outcome,
    rows: NDArray[np.intp],
    window_days: int,
    calibration: Calibration | None = None,
    initial_model: RiskModel | None = None,
) -> OutOfTimePredictions | None:
    """Predict bleeds by a model fitted to what was known on the day before the first of them; one entry per row.

    Parameters
    ----------
    features, outcome
        All bleeds.
    rows
        Bleeds to predict.
    window_days
        Follow-up window.
    calibration
        Calibration of the model; none by default.
    initial_model
        Fitted model that gives starting values.

    Returns
    -------
    OutOfTimePredictions | None
        None where fewer than 30 returns were known by then.
    """
    first = int(outcome.day[rows].min())
    training = np.flatnonzero((outcome.day < first) & outcome.is_training)
    follow_up = outcome.follow_up.take(training).censor_at(first - 1 - outcome.day[training])
    if follow_up.returned.sum() < MIN_RETURNS:
        return None
    model = RiskModel.fit(features.take(training), follow_up, window_days, initial_model).with_calibration(
        calibration or Calibration()
    )
    predicted = model.predict(features.table[rows])
    matured = training[(first - 1 - outcome.day[training] >= window_days) & outcome.mature[training]]
    baselines = fit_baselines(features.take(matured), outcome.came_back[matured])
    is_training = outcome.is_training[rows]
    baseline_risks = np.full((len(rows), len(NAMES)), np.nan)
    baseline_risks[:, 0] = baselines.rate
    if is_training.any():
        baseline_risks[is_training] = baselines.predict(features.take(rows[is_training]))
    return OutOfTimePredictions(predicted.risk, predicted.lo, predicted.hi, predicted.log_odds, baseline_risks, model)


def fit_calibration(predictions: OutOfTimePredictions, outcome: Outcome) -> Calibration:
    """Recalibrate on every out-of-time risk whose outcome is known."""
    testable = predictions.has_prediction & outcome.mature
    return recalibration(predictions.log_odds[testable], outcome.came_back[testable])


def _folds(outcome: Outcome) -> list[tuple[int, int]]:
    """First day, and day after the last, of each fold."""
    days = np.sort(outcome.day)
    return_days = np.sort((outcome.day + outcome.follow_up.days)[outcome.follow_up.returned])
    if len(return_days) < MIN_RETURNS:
        return []
    start = max(int(return_days[MIN_RETURNS - 1]) + 1, int(days[int(MIN_SHARE * len(days))]))
    days_left = days[days >= start]
    if not len(days_left):
        return []
    folds = FEWER_FOLDS if len(days) >= FEWER_FOLDS_FROM else FOLDS
    edges = [start, *(int(part[0]) for part in np.array_split(days_left, folds)[1:] if len(part)), int(days[-1]) + 1]
    edges = sorted(set(edges))
    return list(pairwise(edges))


def _calibration_before(
    predictions: OutOfTimePredictions, outcome: Outcome, first: int, window_days: int
) -> Calibration:
    testable = predictions.has_prediction & outcome.mature & (outcome.day + window_days < first)
    return recalibration(predictions.log_odds[testable], outcome.came_back[testable])
