"""Backtest: each bleed predicted by a model that knew only what was known before it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.prepared import Prepared
from analysis.risk.calibration import Calibration, recalibration
from analysis.risk.course import Course
from analysis.risk.features import BleedFeatures
from analysis.risk.model import RiskModel
from analysis.risk.rivals import NAMES, rivals
from analysis.stats import level_codes

Numbers = NDArray[np.float64]
FOLDS, FEWER_FOLDS, FEWER_FROM = 4, 3, 2000
"""From this many bleeds on one fold fewer: what its models learn less by no longer tells."""
LEAST_RETURNS, LEAST_SHARE = 30, 0.3
"""The first bleeds foretold are those after so many returns were known and so large a share of bleeds begun."""
KEPT = ("risk", "lo", "hi", "log_odds", "rivals")


@dataclass(frozen=True)
class Outcome:
    """What became of each bleed: its course, the day it began (days since 1970), whether it was followed for the whole
    window, whether it came back in it, its bike (a number), and whether models learn from it."""

    course: Course
    day: NDArray[np.int64]
    mature: NDArray[np.bool_]
    came_back: NDArray[np.bool_]
    bike: NDArray[np.int64]
    learned: NDArray[np.bool_]


@dataclass(frozen=True)
class Foretold:
    """Out-of-time risks: one entry a bleed, NaN where none could be predicted (`told`).

    `rivals` has one column a simple rule, in the order of `rivals.NAMES`, all but the constant NaN for bleeds no model
    learns from; `model` is the last that predicted.
    """

    risk: Numbers
    lo: Numbers
    hi: Numbers
    log_odds: Numbers = field(repr=False)
    rivals: Numbers = field(repr=False)
    model: RiskModel | None = field(default=None, repr=False)

    @property
    def told(self) -> NDArray[np.bool_]:
        return np.isfinite(self.risk)


def outcome_of(prepared: Prepared, learned: Prepared | None = None) -> Outcome:
    """What became of the bleeds, in their order; models learn from the `learned` among them (all unless given)."""
    bleeds = prepared.bleeds
    session = bleeds.get_column("session_id")
    names = session if learned is None else learned.bleeds.get_column("session_id")
    end = bleeds.get_column("end")
    course = Course(
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


def foretold(features: BleedFeatures, outcome: Outcome, window_days: int) -> Foretold:
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
    found, model = Foretold(risk, lo, hi, log_odds, np.full((n, len(NAMES)), np.nan)), None
    for first, last in _folds(outcome):
        rows = np.flatnonzero((outcome.day >= first) & (outcome.day < last))
        calibration = _calibration_before(found, outcome, first, window_days)
        fold = told_from(features, outcome, rows, window_days, calibration, model)
        if fold is None:
            continue
        model = fold.model
        for name in KEPT:
            getattr(found, name)[rows] = getattr(fold, name)
    return replace(found, model=model)


def told_from(
    features: BleedFeatures,
    outcome: Outcome,
    rows: NDArray[np.intp],
    window_days: int,
    calibration: Calibration | None = None,
    near: RiskModel | None = None,
) -> Foretold | None:
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
    near
        A model of the shop's, at whose coefficients the search for this one starts.

    Returns
    -------
    Foretold | None
        None where fewer than 30 had come back by then.
    """
    first = int(outcome.day[rows].min())
    before = np.flatnonzero((outcome.day < first) & outcome.learned)
    course = outcome.course.of(before).cut(first - 1 - outcome.day[before])
    if course.returned.sum() < LEAST_RETURNS:
        return None
    model = RiskModel.fit(features.of(before), course, window_days, near).with_calibration(calibration or Calibration())
    predicted = model.predict(features.table[rows])
    followed = before[(first - 1 - outcome.day[before] >= window_days) & outcome.mature[before]]
    rules = rivals(features.of(followed), outcome.came_back[followed])
    asked = outcome.learned[rows]
    figures = np.full((len(rows), len(NAMES)), np.nan)
    figures[:, 0] = rules.rate
    if asked.any():
        figures[asked] = rules.told(features.of(rows[asked]))
    return Foretold(predicted.risk, predicted.lo, predicted.hi, predicted.log_odds, figures, model)


def calibration_of(told: Foretold, outcome: Outcome) -> Calibration:
    """From every out-of-time risk whose outcome is known."""
    held = told.told & outcome.mature
    return recalibration(told.log_odds[held], outcome.came_back[held])


def _folds(outcome: Outcome) -> list[tuple[int, int]]:
    """First day and the day after the last, fold by fold."""
    days = np.sort(outcome.day)
    back = np.sort((outcome.day + outcome.course.days)[outcome.course.returned])
    if len(back) < LEAST_RETURNS:
        return []
    start = max(int(back[LEAST_RETURNS - 1]) + 1, int(days[int(LEAST_SHARE * len(days))]))
    left = days[days >= start]
    if not len(left):
        return []
    folds = FEWER_FOLDS if len(days) >= FEWER_FROM else FOLDS
    marks = [start, *(int(part[0]) for part in np.array_split(left, folds)[1:] if len(part)), int(days[-1]) + 1]
    marks = sorted(set(marks))
    return list(pairwise(marks))


def _calibration_before(told: Foretold, outcome: Outcome, first: int, window_days: int) -> Calibration:
    held = told.told & outcome.mature & (outcome.day + window_days < first)
    return recalibration(told.log_odds[held], outcome.came_back[held])
