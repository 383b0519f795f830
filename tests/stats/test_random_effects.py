"""Variance between groups.

Source: statsmodels' combine_effects, method 'chi2' (one-step DerSimonian-Laird).
"""

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from analysis.stats import between_variance


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
