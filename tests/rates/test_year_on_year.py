"""The change from year to year allows for months that vary by themselves."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from analysis.rates import YearCounts, year_change
from analysis.stats import share_difference

DAY = dt.date(2026, 1, 1)


def year(comebacks: list[int], bleeds: int = 100) -> YearCounts:
    return YearCounts((bleeds,) * len(comebacks), tuple(comebacks), DAY, DAY)


def test_with_months_that_vary_no_more_than_counts_it_is_newcombes_interval() -> None:
    limits = year_change(year([8] * 12), year([4] * 12))
    plain = share_difference((96, 1200), (48, 1200))
    assert (float(limits.lo), float(limits.hi)) == (float(plain.lo), float(plain.hi))


def test_the_counts_are_divided_by_the_dispersion_of_the_months() -> None:
    """By hand: months of 4 and 12 in 100 about 8%: chi-square 12 x 16 / 7.36 = 26.09, and 12 x 4 / 3.84 = 12.5 for 2 and 6
    about 4%; over 22 degrees of freedom 1.754. Student's t with 22 degrees of freedom, 2.0739 (table)."""
    limits = year_change(year([4, 12] * 6), year([2, 6] * 6))
    shrink = 1 / (38.587 / 22 * (2.0739 / 1.95996) ** 2)
    wider = share_difference((96 * shrink, 1200 * shrink), (48 * shrink, 1200 * shrink))
    assert float(limits.lo) == pytest.approx(float(wider.lo), abs=1e-5)
    assert float(limits.hi) == pytest.approx(float(wider.hi), abs=1e-5)


@pytest.mark.parametrize("bleeds", [60, 130, 400])
def test_months_that_vary_are_rarely_called_a_change(bleeds: int) -> None:
    """Rates whose months differ with a standard deviation of 0.2 (log): without the dispersion up to 20% are called clear."""
    rng = np.random.default_rng(20_270)
    calls = 0
    for _ in range(1000):
        rates = 0.074 * np.exp(0.2 * rng.standard_normal((2, 12)) - 0.02)
        now, before = (year(rng.binomial(bleeds, row).tolist(), bleeds) for row in rates)
        limits = year_change(now, before)
        calls += bool(limits.lo > 0 or limits.hi < 0)
    assert calls / 1000 < 0.07
