"""Two arms against a published interval, a published permutation test and independent libraries.

Source: R. G. Newcombe 1998, Stat. Med. 17:873-890, Table II, method 10: 56/70 less 48/80 gives 0.0524 to 0.3339 (from
memory). statsmodels is the second opinion.
R. A. Fisher 1935, The Design of Experiments, chapter 2: of eight cups, four and four, three right or better by chance in
17 of 70 ways, so 34 of 70 either way.
"""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import confint_proportions_2indep

from analysis.plan.trial import compare_by_bleed, permutation_p_value


def test_newcombes_interval_of_the_difference():
    matches = compare_by_bleed(48, 80, 56, 70)
    assert (matches.lo, matches.hi) == pytest.approx((0.0524, 0.3339), abs=5e-5)  # printed digits


def test_the_interval_agrees_with_an_independent_library():
    matches = compare_by_bleed(12, 300, 25, 310)
    theirs = confint_proportions_2indep(25, 310, 12, 300, method="newcomb", compare="diff")
    assert (matches.lo, matches.hi) == pytest.approx(theirs, abs=1e-10)


def test_fishers_eight_cups():
    one, other = (np.array([1.0, 1, 1, 0]), np.ones(4)), (np.array([0.0, 0, 0, 1]), np.ones(4))
    assert permutation_p_value(one, other, np.random.default_rng(0)) == pytest.approx(34 / 70)
    assert compare_by_bleed(3, 4, 1, 4).p_value == pytest.approx(34 / 70)


@pytest.mark.parametrize("counts", [(5, 60, 0, 60), (4, 40, 0, 40), (3, 200, 12, 200)])
def test_randomised_bleeds_are_tested_exactly(counts: tuple[int, int, int, int]):
    """Source: scipy's Fisher's exact test, which counts the same assignments where the arms are of equal size."""
    one, n_1, other, n_2 = counts
    theirs = stats.fisher_exact([[one, n_1 - one], [other, n_2 - other]]).pvalue
    assert compare_by_bleed(*counts).p_value == pytest.approx(theirs, rel=1e-9)


def test_with_arms_of_unequal_size_every_assignment_is_counted():
    arms = (np.repeat([1.0, 0.0], [3, 6]), np.ones(9)), (np.repeat([1.0, 0.0], [4, 2]), np.ones(6))
    counted = permutation_p_value(*arms, np.random.default_rng(0))  # all of 5,005
    assert compare_by_bleed(3, 9, 4, 6).p_value == pytest.approx(counted)


@pytest.mark.parametrize("units", [5, 14], ids=["all ways counted", "some ways drawn"])
def test_a_permutation_of_units_agrees_with_an_independent_library(units: int):
    rng = np.random.default_rng(4)
    n = np.full(2 * units, 40.0)
    y = rng.binomial(40, np.where(np.arange(2 * units) < units, 0.08, 0.13)).astype(float)
    mine = permutation_p_value((y[:units], n[:units]), (y[units:], n[units:]), rng)
    theirs = stats.permutation_test(
        (y[:units] / 40, y[units:] / 40),
        lambda a, b, axis: np.mean(a, axis=axis) - np.mean(b, axis=axis),
        vectorized=True,
        n_resamples=20_000,
        rng=rng,
    )
    assert mine == pytest.approx(theirs.pvalue, abs=0.02)
