"""Variance between groups.

Sources: statsmodels' combine_effects, method 'chi2' (one-step DerSimonian-Laird); the eight schools of D. B. Rubin 1981,
J. Educ. Stat. 6:377-401, with the posterior mean of the spread that is published with a uniform prior (data and figure
from memory).
"""

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from analysis.stats import between_variance, spread_posterior


@pytest.mark.parametrize("spread", [0.0, 0.5, 2.0])
def test_the_variance_equals_that_of_an_independent_library(spread):
    rng = np.random.default_rng(2)
    variances = rng.uniform(0.2, 1.0, 12)
    estimates = rng.normal(0, np.sqrt(variances + spread**2))
    theirs = combine_effects(estimates, variances, method_re="chi2")
    assert between_variance(estimates, variances) == pytest.approx(max(theirs.tau2, 0.0))


def test_fewer_than_two_groups_have_no_variance():
    assert between_variance(np.array([3.0]), np.array([1.0])) == 0
    assert between_variance(np.zeros(0), np.zeros(0)) == 0


SCHOOLS = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
SCHOOLS_SD = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])


def test_the_spread_between_eight_schools_is_the_published_one():
    posterior = spread_posterior(SCHOOLS, SCHOOLS_SD**2, 60.0)
    assert posterior.probability.sum() == pytest.approx(1)
    assert posterior.probability @ posterior.sd == pytest.approx(6.6, abs=0.15)


@pytest.mark.parametrize(("groups", "spread"), [(3, 0.03), (8, 0.0), (8, 0.05), (40, 0.1)])
def test_intervals_of_groups_cover_their_truth(groups, spread):
    """2,000 or more groups in all; with a few groups the prior, which allows a large spread, makes them wide."""
    rng, covered = np.random.default_rng(8), []
    for _ in range(2_000 // groups + 1):
        sd = rng.uniform(0.02, 0.08, groups)
        truth = rng.normal(0, spread, groups)
        estimates = rng.normal(truth, sd)
        shrunk = spread_posterior(estimates, sd**2, 0.5).shrink(estimates, sd**2)
        covered += (np.abs(truth - shrunk.mean) <= 1.96 * shrunk.sd).tolist()
    assert np.mean(covered) >= 0.935
