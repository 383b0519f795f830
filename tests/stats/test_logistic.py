"""Logistic regressions without one fold, held against the same fitted afresh on the rows that are left.

Source: scikit-learn's LogisticRegression, an L2 penalty of 1 on all but the intercept, run to 1e-10.
"""

import numpy as np
import pytest
from scipy import special
from sklearn.linear_model import LogisticRegression

from analysis.stats import cross_fitted_logistic, out_of_fold_log_odds


def drawn(seed, bleeds):
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(bleeds, 6))
    y = (rng.random(bleeds) < special.expit(x @ [1.5, -1, 0.5, 0, 0, 0] - 2)).astype(float)
    return x, y, rng.integers(0, 5, bleeds)


def without_each(x, y, fold):
    inside = np.eye(5)[fold]
    return cross_fitted_logistic(x, inside, y[:, None] * inside)


def told_out_of_fold(x, found, fold):
    return out_of_fold_log_odds(x, [found], fold)[:, 0]


@pytest.mark.parametrize(("seed", "bleeds"), [(1, 300), (2, 2_000), (3, 45_000)])
def test_each_fold_is_told_by_a_fit_of_all_other_rows(seed, bleeds):
    x, y, fold = drawn(seed, bleeds)
    found = told_out_of_fold(x, without_each(x, y, fold), fold)
    for k in range(5):
        theirs = LogisticRegression(C=1.0, solver="newton-cholesky", tol=1e-10).fit(x[fold != k], y[fold != k])
        assert found[fold == k] == pytest.approx(theirs.decision_function(x[fold == k]), abs=1e-7)


def test_a_fold_without_which_one_outcome_is_left_is_not_told():
    x, y, fold = drawn(5, 400)
    y = np.where(fold == 2, y, 0.0)
    found = without_each(x, y, fold)
    assert found.estimable.tolist() == [True, True, False, True, True]
    assert np.isneginf(told_out_of_fold(x, found, fold)[fold == 2]).all()
    assert np.isfinite(found.coefficients).all()


def test_complete_separation_stays_finite():
    x = np.repeat([[1.0], [-1.0]], 60, axis=0)
    found = without_each(x, (x[:, 0] > 0).astype(float), np.arange(120) % 5)
    assert found.estimable.all()
    assert np.isfinite(found.coefficients).all()


def test_rows_that_stand_for_several_bleeds_tell_what_the_bleeds_told():
    rng = np.random.default_rng(6)
    kinds, place, fold = rng.normal(size=(40, 3)), rng.integers(0, 40, 3_000), rng.integers(0, 5, 3_000)
    y = (rng.random(3_000) < special.expit(kinds[place] @ [1.0, -1.0, 0.0])).astype(float)
    each = without_each(kinds[place], y, fold)
    tried, came = np.zeros((40, 5)), np.zeros((40, 5))
    np.add.at(tried, (place, fold), 1)
    np.add.at(came, (place, fold), y)
    assert cross_fitted_logistic(kinds, tried, came).coefficients == pytest.approx(each.coefficients, abs=1e-8)


def test_a_fold_that_is_most_of_the_log_and_unlike_the_rest_is_left_out_all_the_same():
    """Source: as above; the curvature of all rows is far from that of the few which are left."""
    rng = np.random.default_rng(7)
    fold = np.where(np.arange(4_000) < 3_600, 0, 1 + np.arange(4_000) % 4)
    x = rng.normal(size=(4_000, 4))
    x[fold == 0, 0] += 3
    y = (rng.random(4_000) < special.expit(np.where(fold == 0, 4 - x[:, 0], 2 * x[:, 0] - 1))).astype(float)
    found = told_out_of_fold(x, without_each(x, y, fold), fold)
    theirs = LogisticRegression(C=1.0, solver="newton-cholesky", tol=1e-10).fit(x[fold != 0], y[fold != 0])
    assert found[fold == 0] == pytest.approx(theirs.decision_function(x[fold == 0]), abs=1e-5)
