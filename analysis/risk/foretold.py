"""Out of time: each bleed foretold by a model that knew only what was known before it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.prepared import Prepared
from analysis.regression import level_codes
from analysis.risk.calibration import Calibration, recalibration
from analysis.risk.course import Course
from analysis.risk.features import BleedFeatures
from analysis.risk.model import CHUNK, RiskModel, risk_model
from analysis.risk.rivals import NAMES, Rivals, rivals

Numbers = NDArray[np.float64]
FOLDS, FEWER_FOLDS, FEWER_FROM = 4, 3, 2000
"""From this many bleeds on one fold fewer: what its models learn less by no longer tells."""
LEAST_RETURNS, LEAST_SHARE = 30, 0.3
"""The first bleeds foretold are those after so many returns were known and so large a share of bleeds begun."""
MOST_LEARNT_FROM = 60_000
"""Bleeds drawn by lot for each of the models that only foretell; the saved model learns from more."""
MOST_COMPARED = 200_000
"""Followed bleeds drawn by lot, of all that are foretold, that simple rules and boosted trees are asked about too."""
KEPT = ("risk", "lo", "hi", "log_odds", "rivals")
AT_ONCE = 4 * CHUNK
"""Bleeds foretold at a time."""


@dataclass(frozen=True)
class Outcome:
    """What became of each bleed: its course, the day it began (days since 1970), whether it was followed for the whole
    window, whether it came back in it, and its bike (a number)."""

    course: Course
    day: NDArray[np.int64]
    mature: NDArray[np.bool_]
    came_back: NDArray[np.bool_]
    bike: NDArray[np.int64]


@dataclass(frozen=True)
class Foretold:
    """Out-of-time risks: one entry a bleed, NaN where none could be told (`told`).

    `rivals` has one column a simple rule, in the order of `rivals.NAMES`, all but the constant NaN outside their lot;
    `model` is the last that foretold.
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


def outcome_of(prepared: Prepared) -> Outcome:
    """What became of the bleeds, in their order."""
    bleeds = prepared.bleeds
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
    )


def foretold(features: BleedFeatures, outcome: Outcome, window_days: int, rng: np.random.Generator) -> Foretold:
    """Risks by an expanding window in time.

    The bleeds after the first ones are cut into folds of whole days. The model of a fold learns from bleeds begun before
    its first day, followed up to the day before it; its calibration comes from the folds before. No feature names a bike;
    bleeds of one bike are held together where the figures get their limits.

    Parameters
    ----------
    features
        Every bleed's.
    outcome
        What became of them.
    window_days
        The window.
    rng
        For the lots.
    """
    n = len(outcome.day)
    risk, lo, hi, log_odds = np.full((4, n), np.nan)
    told, model = Foretold(risk, lo, hi, log_odds, np.full((n, len(NAMES)), np.nan)), None
    folds = _folds(outcome)
    lot = _compared(outcome, folds[0][0], rng) if folds else None
    for first, last in folds:
        rows = np.flatnonzero((outcome.day >= first) & (outcome.day < last))
        calibration = _calibration_before(told, outcome, first, window_days)
        fold = told_from(features, outcome, rows, window_days, rng, calibration, model, lot)
        if fold is None:
            continue
        model = fold.model
        for name in KEPT:
            getattr(told, name)[rows] = getattr(fold, name)
    return replace(told, model=model)


def told_from(
    features: BleedFeatures,
    outcome: Outcome,
    rows: NDArray[np.intp],
    window_days: int,
    rng: np.random.Generator,
    calibration: Calibration | None = None,
    near: RiskModel | None = None,
    lot: NDArray[np.bool_] | None = None,
) -> Foretold | None:
    """Bleeds told by a model that knew what was known on the day before the first of them; one entry a row.

    Parameters
    ----------
    features, outcome
        Every bleed's.
    rows
        Those to be told.
    window_days
        The window.
    rng
        For the lots.
    calibration
        Of the model; none unless given.
    near
        A model of the shop's, near which the search for this one begins.
    lot
        Which of all bleeds the simple rules are asked about; all of these rows unless given.

    Returns
    -------
    Foretold | None
        None where fewer than 30 had come back by then.
    """
    first = int(outcome.day[rows].min())
    before = _learnt_from(outcome, first, rng)
    course = outcome.course.of(before).cut(first - 1 - outcome.day[before])
    if course.returned.sum() < LEAST_RETURNS:
        return None
    model = risk_model(features.of(before), course, window_days, near).with_calibration(calibration or Calibration())
    followed = before[(first - 1 - outcome.day[before] >= window_days) & outcome.mature[before]]
    beside = rivals(features.of(followed), outcome.came_back[followed])
    chunks = [rows[at : at + AT_ONCE] for at in range(0, len(rows), AT_ONCE)]
    parts = [_told(model, beside, features, some, lot) for some in chunks]
    risk, lo, hi, log_odds, figures = (np.concatenate([getattr(part, name) for part in parts]) for name in KEPT)
    return Foretold(risk, lo, hi, log_odds, figures, model)


def _told(
    model: RiskModel, beside: Rivals, features: BleedFeatures, rows: NDArray[np.intp], lot: NDArray[np.bool_] | None
) -> Foretold:
    told = model.told(features.cells_of(rows))
    asked = np.ones(len(rows), dtype=bool) if lot is None else lot[rows]
    figures = np.full((len(rows), len(NAMES)), np.nan)
    figures[:, 0] = beside.rate
    figures[asked] = beside.told(features.of(rows[asked])) if asked.any() else beside.rate
    return Foretold(told.risk, told.lo, told.hi, told.log_odds, figures)


def _compared(outcome: Outcome, first: int, rng: np.random.Generator) -> NDArray[np.bool_] | None:
    """A lot of the bleeds from that day on whose outcome is known; None where they are few enough to take all."""
    known = np.flatnonzero((outcome.day >= first) & outcome.mature)
    if len(known) <= MOST_COMPARED:
        return None
    lot = np.zeros(len(outcome.day), dtype=bool)
    lot[rng.choice(known, MOST_COMPARED, replace=False)] = True
    return lot


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


def _learnt_from(outcome: Outcome, first: int, rng: np.random.Generator) -> NDArray[np.intp]:
    before = np.flatnonzero(outcome.day < first)
    if len(before) <= MOST_LEARNT_FROM:
        return before
    return np.sort(rng.choice(before, MOST_LEARNT_FROM, replace=False))


def _calibration_before(told: Foretold, outcome: Outcome, first: int, window_days: int) -> Calibration:
    held = told.told & outcome.mature & (outcome.day + window_days < first)
    return recalibration(told.log_odds[held], outcome.came_back[held])
