"""Out of time means out of time: nothing that became known later moves a risk told before."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from analysis.risk.calibration import recalibration
from analysis.risk.foretold import _compared, _folds, foretold
from tests.risk.worlds import fitted


def test_outcomes_of_later_days_change_no_earlier_risk() -> None:
    features, outcome = fitted().features, fitted().outcome
    folds = _folds(outcome)
    told = foretold(features, outcome, 90, np.random.default_rng(0))
    second = folds[1][0]
    course = outcome.course
    ends = outcome.day + course.days
    late = ends >= second
    others = replace(
        course, returned=np.where(late, ~course.returned, course.returned), next_bleed=course.next_bleed & ~late
    )
    changed = replace(outcome, course=others, came_back=np.where(late, ~outcome.came_back, outcome.came_back))
    again = foretold(features, changed, 90, np.random.default_rng(0))
    first = (outcome.day >= folds[0][0]) & (outcome.day < second)
    assert told.told[first].all()
    assert np.array_equal(told.risk[first], again.risk[first])
    later = outcome.day >= folds[2][0]
    assert not np.array_equal(told.risk[later], again.risk[later])


def test_folds_hold_whole_days_and_every_bleed_after_the_first_ones_once() -> None:
    outcome = fitted().outcome
    folds = _folds(outcome)
    assert all(one[1] == other[0] for one, other in pairwise(folds))
    inside = [((outcome.day >= a) & (outcome.day < b)).sum() for a, b in folds]
    assert sum(inside) == (outcome.day >= folds[0][0]).sum()
    assert min(inside) > 0


def test_few_returns_correct_nothing_and_many_are_pulled_toward_nothing() -> None:
    rng = np.random.default_rng(5)
    log_odds = rng.normal(-2.5, 1.2, 40_000)
    came_back = rng.random(40_000) < 1 / (1 + np.exp(-0.5 * log_odds))
    assert recalibration(log_odds[:500], came_back[:500]).slope == 1
    many, fewer = recalibration(log_odds, came_back), recalibration(log_odds[:4000], came_back[:4000])
    assert abs(many.slope - 0.5) < abs(fewer.slope - 0.5)
    assert 0.4 < many.slope < fewer.slope < 1


def test_of_many_bleeds_simple_rules_are_asked_about_a_lot_and_the_risks_stay(monkeypatch) -> None:
    features, outcome = fitted().features, fitted().outcome
    every = foretold(features, outcome, 90, np.random.default_rng(0))
    monkeypatch.setattr("analysis.risk.foretold.MOST_COMPARED", 300)
    monkeypatch.setattr("analysis.risk.foretold._compared", lambda *given: compared(*given[:2]))
    some = foretold(features, outcome, 90, np.random.default_rng(0))
    asked = np.isfinite(some.rivals[:, 1])
    assert asked.sum() == 300
    assert (outcome.mature & every.told)[asked].all()
    assert np.array_equal(some.rivals[asked], every.rivals[asked])
    assert np.array_equal(some.risk, every.risk, equal_nan=True)


def compared(outcome, first):
    """A lot that takes nothing from the generator of the others."""
    return _compared(outcome, first, np.random.default_rng(7))
