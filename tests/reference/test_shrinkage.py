"""Empirical-Bayes shrinkage against published examples.

Sources
- D. Clayton & J. Kaldor 1987, Biometrics 43:671-681: lip cancer in 56 Scottish districts (observed and expected as in
  the R package SpatialEpi). The gamma's shape and rate print as 1.88 and 1.32 (from memory); more digits recomputed by
  marginal maximum likelihood outside this project.
- B. Efron & C. Morris 1975, J. Am. Stat. Assoc. 70:311-319, Table 1: eighteen batting records, 45 tries each, and what
  became of them over the rest of the season. Shrinking cut the total squared error to 5.01/17.56 of the raw (from memory).
"""

import numpy as np
import pytest

from analysis.rates import gamma_poisson

OBSERVED = np.array([
    9, 39, 11, 9, 15, 8, 26, 7, 6, 20, 13, 5, 3, 8, 17, 9, 2, 7, 9, 7, 16, 31, 11, 7, 19, 15, 7, 10, 16, 11, 5, 3, 7, 8,
    11, 9, 11, 8, 6, 4, 10, 8, 2, 6, 19, 3, 2, 3, 28, 6, 1, 1, 1, 1, 0, 0,
], dtype=float)  # fmt: skip
EXPECTED = np.array([
    1.4, 8.7, 3.0, 2.5, 4.3, 2.4, 8.1, 2.3, 2.0, 6.6, 4.4, 1.8, 1.1, 3.3, 7.8, 4.6, 1.1, 4.2, 5.5, 4.4, 10.5, 22.7, 8.8,
    5.6, 15.5, 12.5, 6.0, 9.0, 14.4, 10.2, 4.8, 2.9, 7.0, 8.5, 12.3, 10.1, 12.7, 9.4, 7.2, 5.3, 18.8, 15.8, 4.3, 14.6,
    50.7, 8.2, 5.6, 9.3, 88.7, 19.6, 3.4, 3.6, 5.7, 7.0, 4.2, 1.8,
])  # fmt: skip
HITS = np.array([18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7], dtype=float)
LATER = np.array([
    0.346, 0.298, 0.276, 0.222, 0.273, 0.270, 0.263, 0.210, 0.269, 0.230, 0.264, 0.256, 0.303, 0.264, 0.226, 0.285,
    0.316, 0.200,
])  # fmt: skip


def test_the_scottish_districts_sum_as_published():
    assert (OBSERVED.sum(), EXPECTED.sum()) == (536, pytest.approx(536.2))


def test_the_gamma_prior_of_the_scottish_districts():
    fit = gamma_poisson(OBSERVED, EXPECTED)
    # A flat optimum: the optimiser's stopping rule leaves the fourth digit open, the likelihood far less.
    assert (fit.nu, fit.alpha) == pytest.approx((1.879490, 1.321667), rel=1e-3)
    assert fit.log_likelihood == pytest.approx(-181.576074, abs=1e-5)


def test_the_shrunk_ratios_of_the_scottish_districts():
    ratio = gamma_poisson(OBSERVED, EXPECTED).ratio
    assert ratio[:5] == pytest.approx([3.997, 4.079, 2.980, 2.847, 3.003], abs=2e-3)
    assert ratio[-5:] == pytest.approx([0.585, 0.410, 0.346, 0.340, 0.602], abs=2e-3)


def test_an_interval_contains_its_ratio_and_narrows_with_more_events():
    fit = gamma_poisson(OBSERVED, EXPECTED)
    lo, hi = np.quantile(fit.draws(20_000, np.random.default_rng(5)), [0.025, 0.975], axis=0)
    assert ((lo < fit.ratio) & (fit.ratio < hi)).all()
    width = np.log(hi / lo)
    assert width[OBSERVED.argmax()] == width.min()


def test_draws_lie_about_the_shrunk_ratio():
    """With 56 districts the prior is nearly known: drawing its mean and spread moves no mean by a third of its deviation."""
    fit = gamma_poisson(OBSERVED, EXPECTED)
    draws = fit.draws(20_000, np.random.default_rng(5))
    assert np.abs((draws.mean(axis=0) - fit.ratio) / draws.std(axis=0)).max() < 1 / 3


def test_shrunk_rates_predict_the_season_better_than_crude_ones():
    expected = np.full(18, HITS.sum() / 18)
    shrunk = gamma_poisson(HITS, expected).ratio * HITS.mean() / 45
    raw_error, shrunk_error = ((HITS / 45 - LATER) ** 2).sum(), ((shrunk - LATER) ** 2).sum()
    # Published 0.29 of the raw error; counts vary more as Poisson than as 45 tries do, so they are pulled harder here.
    assert shrunk_error < raw_error / 2


def test_groups_that_vary_no_more_than_poisson_counts_are_shrunk_completely():
    fit = gamma_poisson(np.full(12, 10.0), np.full(12, 10.0))
    assert fit.ratio == pytest.approx(np.ones(12), abs=1e-3)


@pytest.mark.parametrize("groups", [3, 5])
def test_intervals_of_few_groups_hold_the_truth(groups: int):
    """150 logs of groups of 130 expected whose ratios have a standard deviation of 0.1; a point prior holds 60 or 71%."""
    rng, covered = np.random.default_rng(groups), []
    for _ in range(150):
        truth, expected = np.exp(rng.normal(0, 0.1, groups)), np.full(groups, 130.0)
        draws = gamma_poisson(rng.poisson(truth * expected).astype(float), expected).draws(1000, rng)
        lo, hi = np.quantile(draws, [0.025, 0.975], axis=0)
        covered += ((lo <= truth) & (truth <= hi)).tolist()
    assert np.mean(covered) > 0.9
