"""Logistic regressions without one fold, held against the same fitted afresh on the rows that are left.

Source: scikit-learn's LogisticRegression, an L2 penalty of 1 on all but the intercept, run to 1e-10.
"""

import numpy as np
import pytest
from scipy import special
from sklearn.linear_model import LogisticRegression

from analysis.steps.habits import left_out_logistic, log_odds


def drawn(seed, bleeds):
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(bleeds, 6))
    y = (rng.random(bleeds) < special.expit(x @ [1.5, -1, 0.5, 0, 0, 0] - 2)).astype(float)
    return x, y, rng.integers(0, 5, bleeds)


@pytest.mark.parametrize(("seed", "bleeds"), [(1, 300), (2, 2_000), (3, 45_000)])
def test_each_fold_is_told_by_a_fit_of_all_other_rows(seed, bleeds):
    x, y, fold = drawn(seed, bleeds)
    found = log_odds(x, left_out_logistic(x, y, fold, 5), fold)
    for k in range(5):
        theirs = LogisticRegression(C=1.0, solver="newton-cholesky", tol=1e-10).fit(x[fold != k], y[fold != k])
        assert found[fold == k] == pytest.approx(theirs.decision_function(x[fold == k]), abs=1e-4)


def test_single_precision_tells_the_same_odds():
    x, y, fold = drawn(4, 5_000)
    double = log_odds(x, left_out_logistic(x, y, fold, 5), fold)
    single = x.astype(np.float32)
    assert log_odds(single, left_out_logistic(single, y, fold, 5), fold) == pytest.approx(double, abs=1e-3)


def test_a_fold_without_which_one_outcome_is_left_is_not_told():
    x, y, fold = drawn(5, 400)
    y = np.where(fold == 2, y, 0.0)
    found = left_out_logistic(x, y, fold, 5)
    assert found.told.tolist() == [True, True, False, True, True]
    assert np.isneginf(log_odds(x, found, fold)[fold == 2]).all()
    assert np.isfinite(found.coefficients).all()


def test_complete_separation_stays_finite():
    x = np.repeat([[1.0], [-1.0]], 60, axis=0)
    found = left_out_logistic(x, (x[:, 0] > 0).astype(float), np.arange(120) % 5, 5)
    assert found.told.all()
    assert np.isfinite(found.coefficients).all()
