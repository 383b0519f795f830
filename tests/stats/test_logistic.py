"""Logistic regressions without one fold, held against the same fitted afresh on the rows that are left.

Source: scikit-learn's LogisticRegression, an L2 penalty of 1 on all but the intercept, run to 1e-10.
"""

import numpy as np
import pytest
from scipy import special
from sklearn.linear_model import LogisticRegression

from analysis.stats import cross_fitted_logistic, out_of_fold_log_odds


def simulated(seed, bleeds):
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(bleeds, 6))
    y = (rng.random(bleeds) < special.expit(x @ [1.5, -1, 0.5, 0, 0, 0] - 2)).astype(float)
    return x, y, rng.integers(0, 5, bleeds)


def cross_fit(x, y, fold):
    inside = np.eye(5)[fold]
    return cross_fitted_logistic(x, inside, y[:, None] * inside)


def log_odds_out_of_fold(x, result, fold):
    return out_of_fold_log_odds(x, [result], fold)[:, 0]


@pytest.mark.parametrize(("seed", "bleeds"), [(1, 300), (2, 2_000), (3, 45_000)])
def test_each_fold_is_predicted_by_a_fit_to_all_other_rows(seed, bleeds):
    x, y, fold = simulated(seed, bleeds)
    result = log_odds_out_of_fold(x, cross_fit(x, y, fold), fold)
    for k in range(5):
        theirs = LogisticRegression(C=1.0, solver="newton-cholesky", tol=1e-10).fit(x[fold != k], y[fold != k])
        assert result[fold == k] == pytest.approx(theirs.decision_function(x[fold == k]), abs=1e-7)


def test_a_fold_outside_which_one_outcome_occurs_is_not_estimable():
    x, y, fold = simulated(5, 400)
    y = np.where(fold == 2, y, 0.0)
    result = cross_fit(x, y, fold)
    assert result.estimable.tolist() == [True, True, False, True, True]
    assert np.isneginf(log_odds_out_of_fold(x, result, fold)[fold == 2]).all()
    assert np.isfinite(result.coefficients).all()


def test_complete_separation_stays_finite():
    x = np.repeat([[1.0], [-1.0]], 60, axis=0)
    result = cross_fit(x, (x[:, 0] > 0).astype(float), np.arange(120) % 5)
    assert result.estimable.all()
    assert np.isfinite(result.coefficients).all()


def test_binomial_rows_equal_the_bleeds_they_represent():
    rng = np.random.default_rng(6)
    patterns, place, fold = rng.normal(size=(40, 3)), rng.integers(0, 40, 3_000), rng.integers(0, 5, 3_000)
    y = (rng.random(3_000) < special.expit(patterns[place] @ [1.0, -1.0, 0.0])).astype(float)
    each = cross_fit(patterns[place], y, fold)
    trials, successes = np.zeros((40, 5)), np.zeros((40, 5))
    np.add.at(trials, (place, fold), 1)
    np.add.at(successes, (place, fold), y)
    assert cross_fitted_logistic(patterns, trials, successes).coefficients == pytest.approx(each.coefficients, abs=1e-8)


def test_a_fold_with_most_of_the_log_and_unlike_the_rest_converges_too():
    """Source: as above; the curvature of all rows is far from that of the few which are left."""
    rng = np.random.default_rng(7)
    fold = np.where(np.arange(4_000) < 3_600, 0, 1 + np.arange(4_000) % 4)
    x = rng.normal(size=(4_000, 4))
    x[fold == 0, 0] += 3
    y = (rng.random(4_000) < special.expit(np.where(fold == 0, 4 - x[:, 0], 2 * x[:, 0] - 1))).astype(float)
    result = log_odds_out_of_fold(x, cross_fit(x, y, fold), fold)
    theirs = LogisticRegression(C=1.0, solver="newton-cholesky", tol=1e-10).fit(x[fold != 0], y[fold != 0])
    assert result[fold == 0] == pytest.approx(theirs.decision_function(x[fold == 0]), abs=1e-5)
