"""Out-of-time predictions use nothing that became original later."""

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
    predictions = backtest(features, outcome, 90)
    second = folds[1][0]
    follow_up = outcome.follow_up
    ends = outcome.day + follow_up.days
    late = ends >= second
    others = replace(
        follow_up,
        returned=np.where(late, ~follow_up.returned, follow_up.returned),
        next_bleed=follow_up.next_bleed & ~late,
    )
    changed = replace(outcome, follow_up=others, came_back=np.where(late, ~outcome.came_back, outcome.came_back))
    again = backtest(features, changed, 90)
    first = (outcome.day >= folds[0][0]) & (outcome.day < second)
    assert predictions.has_prediction[first].all()
    assert np.array_equal(predictions.risk[first], again.risk[first])
    later = outcome.day >= folds[2][0]
    assert not np.array_equal(predictions.risk[later], again.risk[later])


def test_folds_are_whole_days_and_cover_every_bleed_after_the_first_ones_once() -> None:
    outcome = fitted().outcome
    folds = _folds(outcome)
    assert all(one[1] == other[0] for one, other in pairwise(folds))
    inside = [((outcome.day >= a) & (outcome.day < b)).sum() for a, b in folds]
    assert sum(inside) == (outcome.day >= folds[0][0]).sum()
    assert min(inside) > 0


def test_few_returns_do_not_recalibrate_and_many_recalibrate_with_shrinkage() -> None:
    rng = np.random.default_rng(5)
    log_odds = rng.normal(-2.5, 1.2, 40_000)
    came_back = rng.random(40_000) < 1 / (1 + np.exp(-0.5 * log_odds))
    assert recalibration(log_odds[:500], came_back[:500]).slope == 1
    many, fewer = recalibration(log_odds, came_back), recalibration(log_odds[:4000], came_back[:4000])
    assert abs(many.slope - 0.5) < abs(fewer.slope - 0.5)
    assert 0.4 < many.slope < fewer.slope < 1


def test_models_fit_a_sample_and_predict_all_bleeds() -> None:
    features, outcome = fitted().features, fitted().outcome
    in_sample = np.arange(len(outcome.day)) % 8 > 0
    some, every = backtest(features, replace(outcome, is_training=in_sample), 90), backtest(features, outcome, 90)
    second = outcome.day >= _folds(outcome)[1][0]
    assert some.has_prediction[second].all()
    assert np.array_equal(np.isfinite(some.baselines[second, 1]), in_sample[second])
    assert not np.array_equal(some.risk[second], every.risk[second])
    ends = replace(
        outcome.follow_up, returned=np.where(in_sample, outcome.follow_up.returned, ~outcome.follow_up.returned)
    )
    original, changed = (
        replace(outcome, is_training=in_sample, follow_up=follow_up) for follow_up in (outcome.follow_up, ends)
    )
    one, other = (predict_out_of_time(features, inputs, np.flatnonzero(second), 90) for inputs in (original, changed))
    assert np.array_equal(one.risk, other.risk)
