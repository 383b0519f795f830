"""Limits and p-values of a count over an expectation that rests on a count itself, against published numbers.

Sources
- R's documentation of `poisson.test`, second example: 11 events in 800 against 21 in 3011, exact conditional limits of the
  ratio 0.8584264 to 4.2772659 about 1.971488, p 0.07967 (from memory; two-sided by likelihood there, so not used here).
- statsmodels, `test_poisson_2indep`, methods exact-cond and cond-midp, as another implementation.
"""

import numpy as np
import pytest
from statsmodels.stats.rates import test_poisson_2indep as poisson_ratio_test

from analysis.rates import chance_limits, two_sided_p
from analysis.stats import conditional_mid_p, exact_poisson_limits, ratio_limits


def test_limits_of_the_ratio_of_two_rates():
    result = ratio_limits(11.0, 21 * 800 / 3011, 21.0)
    assert (float(result.lo), float(result.hi)) == pytest.approx((0.8584264, 4.2772659), abs=5e-7)


@pytest.mark.parametrize(("one", "two", "expected"), [(11, 21, 5.58), (40, 25, 30.0), (3, 60, 8.0)])
def test_mid_p_values_equal_another_library(one, two, expected):
    mid = two_sided_p(np.array([float(one)]), np.array([expected]), reference=float(two))[0]
    fewer, more = conditional_mid_p(np.array([float(one)]), np.array([expected]), np.array([float(two)]))
    larger = poisson_ratio_test(one, expected, two, two, method="cond-midp", alternative="larger").pvalue
    smaller = poisson_ratio_test(one, expected, two, two, method="cond-midp", alternative="smaller").pvalue
    assert (float(more[0]), float(fewer[0])) == pytest.approx((larger, smaller), rel=1e-9)
    assert mid == pytest.approx(min(2 * min(larger, smaller), 1), rel=1e-9)


def test_a_large_reference_count_is_as_good_as_a_known_expectation():
    exact, nearly = exact_poisson_limits(30.0), ratio_limits(30.0, 20.0, 1e8)
    assert (float(nearly.lo) * 20, float(nearly.hi) * 20) == pytest.approx((float(exact.lo), float(exact.hi)), rel=1e-5)
    o, e = np.array([30.0]), np.array([20.0])
    assert two_sided_p(o, e, reference=1e8) == pytest.approx(two_sided_p(o, e), rel=1e-4)
    assert chance_limits(e, reference=20.0)[1] > chance_limits(e)[1]


@pytest.mark.parametrize("ratio", [0.5, 1.0, 2.0])
def test_the_coverage_of_the_limits_is_nominal(ratio):
    rng = np.random.default_rng(11)
    one, two = rng.poisson(20 * ratio, 4000).astype(float), rng.poisson(40, 4000).astype(float)
    result = ratio_limits(one, two / 2, two)
    covered = np.mean((result.lo <= ratio) & (ratio <= result.hi))
    assert 0.945 <= covered <= 0.985  # exact limits hold it at least 95 times in 100; three standard errors are 0.01
