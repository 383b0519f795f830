"""One test per curve: equal values along it, and false discoveries over curves.

Source of the published figure: 13 trials of BCG vaccine (G. A. Colditz et al. 1994, J. Am. Med. Assoc. 271:698-702), log
risk ratios, Cochran's Q 152.2330 on 12 degrees of freedom (as the R package metafor prints it; from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from analysis.stats import benjamini_hochberg, equal_values_p_value, exact_binomial_limits
from tests.reference.test_difference_in_differences import BCG


def test_independent_estimates_give_cochrans_q():
    ill, well, ill_0, well_0 = np.array(BCG, dtype=float).T
    effect = np.log(ill / (ill + well)) - np.log(ill_0 / (ill_0 + well_0))
    variance = 1 / ill - 1 / (ill + well) + 1 / ill_0 - 1 / (ill_0 + well_0)
    assert equal_values_p_value(effect, np.diag(variance)) == pytest.approx(stats.chi2.sf(152.2330, 12), rel=1e-3)


def test_points_along_a_curve_count_as_its_coefficients():
    """Twenty points of a straight line with one slope: its own two-sided test, and no more."""
    x = np.linspace(0, 1, 20)
    slope, error, level_error = 0.3, 0.12, 0.05
    covariance = level_error**2 + error**2 * np.outer(x, x)
    assert equal_values_p_value(0.1 + slope * x, covariance) == pytest.approx(
        2 * stats.norm.sf(slope / error), rel=1e-6
    )


def test_fewer_than_two_values_cannot_be_tested():
    assert np.isnan(equal_values_p_value([0.1], [[0.01]]))
    assert np.isnan(equal_values_p_value([0.1, np.nan], np.eye(2)))
    assert np.isnan(equal_values_p_value([0.1, 0.1], np.zeros((2, 2))))


def test_nine_flat_curves_differ_in_at_most_one_log_in_twenty():
    """1,000 logs of nine curves of four coefficients seen at twelve readings."""
    rng = np.random.default_rng(31)
    basis = np.vander(np.linspace(0, 1, 12), 5, increasing=True)[:, 1:]
    covariance = basis @ basis.T
    called = 0
    for _ in range(1000):
        p = [equal_values_p_value(basis @ rng.standard_normal(4), covariance) for _ in range(9)]
        called += bool((benjamini_hochberg(p) <= 0.05).any())
    assert exact_binomial_limits(called, 1000).lo <= 0.05 <= exact_binomial_limits(called, 1000).hi
