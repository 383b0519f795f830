"""Two arms against a published interval and an independent library.

Source: R. G. Newcombe 1998, Stat. Med. 17:873-890, Table II, method 10: 56/70 less 48/80 gives 0.0524 to 0.3339 (from
memory). statsmodels is the second opinion.
"""

import pytest
from statsmodels.stats.proportion import confint_proportions_2indep

from analysis.plan.trial import by_bleed


def test_newcombes_interval_of_the_difference():
    found = by_bleed(48, 80, 56, 70)
    assert (found.lo, found.hi) == pytest.approx((0.0524, 0.3339), abs=5e-5)  # printed digits


def test_the_interval_agrees_with_an_independent_library():
    found = by_bleed(12, 300, 25, 310)
    theirs = confint_proportions_2indep(25, 310, 12, 300, method="newcomb", compare="diff")
    assert (found.lo, found.hi) == pytest.approx(theirs, abs=1e-10)
