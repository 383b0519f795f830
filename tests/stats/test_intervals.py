"""Properties of limits of counts and proportions for any counts."""

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as theirs

from analysis.stats import benjamini_hochberg, byar_limits, exact_binomial_limits, exact_poisson_limits, wilson

TRIALS = st.integers(1, 2000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(TRIALS)
def test_limits_of_a_proportion_contain_it_and_mirror_its_complement(counts):
    successes, trials = counts
    for limits in (wilson, exact_binomial_limits):
        result, mirrored = limits(successes, trials), limits(trials - successes, trials)
        assert 0 <= result.lo <= successes / trials + 1e-12
        assert successes / trials - 1e-12 <= result.hi <= 1
        assert float(result.lo) == pytest.approx(1 - float(mirrored.hi), abs=1e-12)


@given(TRIALS)
def test_exact_limits_of_a_proportion_leave_a_fortieth_in_each_tail(counts):
    successes, trials = counts
    result = exact_binomial_limits(successes, trials)
    if successes:
        assert theirs.binom.sf(successes - 1, trials, result.lo) == pytest.approx(0.025, abs=1e-9)
    if successes < trials:
        assert theirs.binom.cdf(successes, trials, result.hi) == pytest.approx(0.025, abs=1e-9)


@given(st.integers(0, 5000))
def test_exact_limits_of_a_count_leave_a_fortieth_in_each_tail(count):
    result = exact_poisson_limits(count)
    assert theirs.poisson.cdf(count, result.hi) == pytest.approx(0.025, abs=1e-9)
    if count:
        assert theirs.poisson.sf(count - 1, result.lo) == pytest.approx(0.025, abs=1e-9)


def test_byars_limits_are_close_to_the_exact_ones_from_ten_on():
    counts = np.arange(10, 2000)
    exact, close = exact_poisson_limits(counts), byar_limits(counts)
    assert np.abs(close.lo / exact.lo - 1).max() < 0.005  # measured 0.2%
    assert np.abs(close.hi / exact.hi - 1).max() < 0.005


def test_the_coverage_of_wilsons_limits_is_close_to_nominal():
    trials = 80
    result = wilson(np.arange(trials + 1), trials)
    shares = np.linspace(0.02, 0.5, 25)
    chance = theirs.binom.pmf(np.arange(trials + 1)[:, None], trials, shares)
    covered = (result.lo[:, None] <= shares) & (shares <= result.hi[:, None])
    coverage = (chance * covered).sum(axis=0)
    assert coverage.mean() == pytest.approx(0.95, abs=0.01)
    assert coverage.min() > 0.91  # it dips for small shares, where a single count decides


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_adjusted_p_values_keep_the_order_and_never_decrease(p_values):
    q, order = benjamini_hochberg(p_values), np.argsort(p_values, kind="stable")
    assert (q >= np.array(p_values) - 1e-15).all()
    assert (np.diff(q[order]) >= -1e-15).all()
    assert q.max() <= 1


def test_no_p_values_have_no_adjusted_ones():
    assert benjamini_hochberg([]).size == 0


def test_importing_the_room_does_not_import_scipy():
    output = "import sys, analysis.stats; print('scipy' in sys.modules)"
    ran = subprocess.run([sys.executable, "-c", output], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "False"
