"""Tails, quantiles, adjusted p-values and rank correlation equal scipy.stats, far into the tails."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from analysis.stats import (
    benjamini_hochberg,
    beta_quantile,
    binomial_tail,
    chi_square_tail,
    conditional_mid_p,
    gamma_quantile,
    hypergeometric_mid_p,
    kendall_tau,
    normal_tail,
    poisson_mid_p,
    poisson_tail,
    student_tail,
)

Z = np.linspace(-9, 30, 79)
COUNTS = np.array([0.0, 1, 2, 7, 30, 200, 2000])
MEANS = np.array([0.02, 0.9, 4.0, 29.5, 190.0, 2100.0])
LEVELS = np.array([1e-9, 0.005, 0.025, 0.4, 0.975, 1 - 1e-9])
K, M = (part.ravel() for part in np.meshgrid(COUNTS, MEANS))


def assert_equal(ours, theirs):
    np.testing.assert_allclose(ours, theirs, rtol=1e-10, atol=1e-290)


@pytest.mark.parametrize(
    ("count", "draws", "successes", "total"), [(3, 8, 4, 8 + 8), (0, 500, 20, 9000), (60, 90, 80, 100)]
)
def test_mid_p_tails_of_the_hypergeometric_distribution(count, draws, successes, total):
    table = stats.hypergeom(total, successes, draws)
    half = table.pmf(count) / 2
    assert hypergeometric_mid_p(count, draws, successes, total) == pytest.approx(
        (table.cdf(count - 1) + half, table.sf(count) + half), rel=1e-9, abs=1e-290
    )


def test_tails_of_the_normal_student_and_chi_square_distributions():
    assert_equal(normal_tail(Z), stats.norm.sf(Z))
    for freedom in (1, 2, 5.5, 40, 3000):
        assert_equal(student_tail(Z, freedom), stats.t.sf(Z, freedom))
        assert_equal(chi_square_tail(np.abs(Z) * 8, freedom), stats.chi2.sf(np.abs(Z) * 8, freedom))


def test_tails_of_counts():
    assert_equal(poisson_tail(K, M), stats.poisson.sf(K - 1, M))
    for share in (1e-6, 0.2, 0.97):
        for of in (30, 4000):
            for count in (0, 1, 7, 29, of):
                assert_equal(binomial_tail(count, of, share), stats.binom.sf(count - 1, of, share))


@pytest.mark.parametrize("shape", [0.3, 4.0, 900.0])
def test_quantiles(shape):
    for other in (1.0, 12.5, 400.0):
        assert_equal(beta_quantile(LEVELS, shape, other), stats.beta.ppf(LEVELS, shape, other))
    assert_equal(gamma_quantile(LEVELS, shape), stats.gamma.ppf(LEVELS, shape))
    assert_equal(2 * gamma_quantile(LEVELS, shape / 2), stats.chi2.ppf(LEVELS, shape))


def mid_p(distribution):
    half = 0.5 * distribution.pmf(K)
    return distribution.cdf(K) - half, distribution.sf(K) + half


def test_mid_p_tails_of_counts():
    # the lower tail is a difference, only as precise as its larger term
    for ours, theirs in zip(poisson_mid_p(K, M), mid_p(stats.poisson(M)), strict=True):
        np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-12)
    for reference in (1.0, 6.0, 2000.0):
        distribution = stats.binom(K + reference, M / (M + reference))
        for ours, theirs in zip(conditional_mid_p(K, M, np.full_like(M, reference)), mid_p(distribution), strict=True):
            np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-12)


def test_adjusted_p_values():
    rng = np.random.default_rng(3)
    for size in (1, 2, 30):
        p = rng.uniform(size=size) ** 4
        assert_equal(benjamini_hochberg(p), stats.false_discovery_control(p))
    assert benjamini_hochberg([]).shape == (0,)


def test_rank_correlation_with_and_without_ties():
    rng = np.random.default_rng(4)
    for levels in (3, 10, 10_000):
        one, other = rng.integers(0, levels, (2, 25))
        assert kendall_tau(one, other) == pytest.approx(stats.kendalltau(one, other).statistic, abs=1e-14)
    assert np.isnan(kendall_tau([1, 1], [1, 2]))
