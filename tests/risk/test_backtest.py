"""Out-of-time predictions use nothing that became known later."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from sklearn.base import clone

from analysis.risk import WindowClassifier
from analysis.risk.backtest import backtest, backtest_others
from analysis.risk.calibration import recalibration
from tests.risk.simulated import fitted


def test_outcomes_of_later_days_change_no_earlier_risk() -> None:
    bleeds, classifier = fitted().bleeds, fitted().classifier
    folds = bleeds.folds
    predictions = backtest(bleeds, clone(classifier))
    second, follow_up = folds[1][0], bleeds.follow_up
    late = bleeds.day + follow_up.days >= second
    others = replace(
        follow_up,
        returned=np.where(late, ~follow_up.returned, follow_up.returned),
        next_bleed=follow_up.next_bleed & ~late,
    )
    again = backtest(replace(bleeds, follow_up=others), clone(classifier))
    first = (bleeds.day >= folds[0][0]) & (bleeds.day < second)
    assert np.isfinite(predictions.risk[first]).all()
    assert np.array_equal(predictions.risk[first], again.risk[first])
    later = bleeds.day >= folds[2][0]
    assert not np.array_equal(predictions.risk[later], again.risk[later])


def test_folds_are_whole_days_and_cover_every_bleed_after_the_first_ones_once() -> None:
    bleeds = fitted().bleeds
    folds = bleeds.folds
    assert all(one[1] == other[0] for one, other in pairwise(folds))
    inside = [len(bleeds.between(*fold)) for fold in folds]
    assert sum(inside) == (bleeds.day >= folds[0][0]).sum()
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
    bleeds, classifier = fitted().bleeds, fitted().classifier
    in_sample = np.arange(len(bleeds.day)) % 8 > 0
    sampled = replace(bleeds, is_training=in_sample)
    some, every = backtest(sampled, clone(classifier)), backtest(bleeds, clone(classifier))
    second = bleeds.folds[1][0]
    assert np.isfinite(some.risk[bleeds.day >= second]).all()
    assert not np.array_equal(some.risk, every.risk, equal_nan=True)
    changed = replace(
        bleeds.follow_up, returned=np.where(in_sample, bleeds.follow_up.returned, ~bleeds.follow_up.returned)
    )
    one, other = (
        clone(classifier).fit(*each.training_before(second)).predictions(bleeds.features).risk
        for each in (sampled, replace(sampled, follow_up=changed))
    )
    assert np.array_equal(one, other)


def test_another_classifier_learns_only_from_windows_that_were_over() -> None:
    """Without a classifier the risk is the rate known the day before the fold."""
    bleeds = fitted().bleeds
    risk = backtest_others(bleeds, {"same": WindowClassifier()})["same"]
    for first, last in bleeds.folds:
        is_known = (bleeds.day + 90 < first) & bleeds.is_complete
        expected = (bleeds.came_back[is_known].sum() + 1) / (is_known.sum() + 2)
        assert set(risk[bleeds.between(first, last)]) == {expected}
