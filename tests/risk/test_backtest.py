"""Out of time means out of time: nothing that became known later moves a risk told before."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from analysis.risk.backtest import _folds, backtest, predict_out_of_time
from analysis.risk.calibration import recalibration
from tests.risk.simulated import fitted


def test_outcomes_of_later_days_change_no_earlier_risk() -> None:
    features, outcome = fitted().features, fitted().outcome
    folds = _folds(outcome)
    told = backtest(features, outcome, 90)
    second = folds[1][0]
    course = outcome.follow_up
    ends = outcome.day + course.days
    late = ends >= second
    others = replace(
        course, returned=np.where(late, ~course.returned, course.returned), next_bleed=course.next_bleed & ~late
    )
    changed = replace(outcome, follow_up=others, came_back=np.where(late, ~outcome.came_back, outcome.came_back))
    again = backtest(features, changed, 90)
    first = (outcome.day >= folds[0][0]) & (outcome.day < second)
    assert told.has_prediction[first].all()
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


def test_models_learn_from_some_bleeds_and_predict_all() -> None:
    features, outcome = fitted().features, fitted().outcome
    learned = np.arange(len(outcome.day)) % 8 > 0
    some, every = backtest(features, replace(outcome, learned=learned), 90), backtest(features, outcome, 90)
    second = outcome.day >= _folds(outcome)[1][0]
    assert some.has_prediction[second].all()
    assert np.array_equal(np.isfinite(some.baselines[second, 1]), learned[second])
    assert not np.array_equal(some.risk[second], every.risk[second])
    ends = replace(
        outcome.follow_up, returned=np.where(learned, outcome.follow_up.returned, ~outcome.follow_up.returned)
    )
    known, changed = (replace(outcome, learned=learned, follow_up=course) for course in (outcome.follow_up, ends))
    one, other = (predict_out_of_time(features, each, np.flatnonzero(second), 90) for each in (known, changed))
    assert np.array_equal(one.risk, other.risk)
