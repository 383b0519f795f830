"""Bounds of repeated looks against published numbers.

Sources
- The README of the Julia package SeqBounds: one-sided 0.05, looks at quarters of the information, O'Brien-Fleming type.
- The R package ldbounds, two-sided 0.05, five even looks of the same type: 4.8769, 3.3569, 2.6803, 2.2898, 2.0310 (from
  memory).
"""

import numpy as np
import pytest

from analysis.stats import evenly_spent_alpha, spending_bounds, spent_alpha

QUARTERS = (0.25, 0.5, 0.75, 1.0)


def test_alpha_spent_by_each_quarter():
    assert [spent_alpha(t, 0.05) for t in QUARTERS] == pytest.approx([8.85754e-5, 0.0055746, 0.0236251, 0.05], rel=5e-6)


def test_one_sided_bounds_at_quarters():
    bounds = spending_bounds(QUARTERS, 0.05, two_sided=False)
    assert bounds == pytest.approx([3.74955, 2.53993, 2.01604, 1.72014], abs=5e-5)  # their grid is coarse


def test_two_sided_bounds_of_five_looks():
    bounds = spending_bounds((0.2, 0.4, 0.6, 0.8, 1.0), 0.05)
    assert bounds == pytest.approx([4.8769, 3.3569, 2.6803, 2.2898, 2.0310], abs=2e-4)  # likewise


def test_even_spending_of_five_looks():
    """ldbounds, Pocock type, two-sided 0.05, five even looks (from memory)."""
    bounds = spending_bounds((0.2, 0.4, 0.6, 0.8, 1.0), 0.05, spent=evenly_spent_alpha)
    assert bounds == pytest.approx([2.4380, 2.4268, 2.4101, 2.3966, 2.3859], abs=2e-4)


def test_a_single_look_is_the_usual_test():
    assert spending_bounds((1.0,), 0.05) == pytest.approx([1.959964], abs=1e-6)


def test_thirteen_uneven_looks_hold_the_type_one_error():
    fractions = np.cumsum(np.linspace(1, 3, 13))
    fractions /= fractions[-1]
    rng = np.random.default_rng(4)
    sums = np.cumsum(rng.standard_normal((40_000, 13)) * np.sqrt(np.diff(fractions, prepend=0)), axis=1)
    signals = (np.abs(sums / np.sqrt(fractions)) > spending_bounds(fractions.tolist(), 0.05)).any(axis=1).mean()
    assert signals == pytest.approx(0.05, abs=0.0035)  # three standard errors of 40,000 draws


@pytest.mark.parametrize("fractions", [(0.5, 0.5), (0.6, 0.4), (0.0, 1.0), (0.5, 1.2)])
def test_fractions_that_do_not_increase_raise(fractions):
    with pytest.raises(ValueError, match="fraction"):
        spending_bounds(fractions, 0.05)
