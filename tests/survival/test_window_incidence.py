"""Incidence at the window: each group as if alone, and empty where unknown."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from analysis.stats import wilson
from analysis.survival import aalen_johansen, incidence_limits, window_incidence

WINDOW = 20
BLEEDS = hnp.arrays(np.int64, st.tuples(st.integers(1, 60), st.just(3)), elements=st.integers(0, 89))


def at_window(days, end, window=WINDOW):
    result = window_incidence(np.zeros(len(days), dtype=np.int64), np.array(days), np.array(end), 1, window)
    return result.incidence[0], result.lo[0], result.hi[0]


@settings(max_examples=100, deadline=None)
@given(BLEEDS)
def test_each_group_is_estimated_as_if_alone(rows):
    group, days, end = rows[:, 0] % 4, rows[:, 1] % 40, rows[:, 2] % 3
    result = window_incidence(group, days, end, 4, WINDOW)
    for code in range(4):
        own = group == code
        if not own.any():
            continue
        curve = aalen_johansen(days[own], end[own])
        place = curve.index_at(WINDOW)
        value = curve.incidence[place] if place >= 0 else 0.0
        if (days[own] >= WINDOW).any() or (place >= 0 and curve.survival[place] < 1e-12):
            assert result.incidence[code] == pytest.approx(value, abs=1e-12)
        else:
            assert np.isnan(result.incidence[code])
        if 0 < result.incidence[code] < 1 - 1e-12:
            limits = incidence_limits(curve.incidence[[place]], curve.variance[[place]])
            assert (result.lo[code], result.hi[code]) == pytest.approx((limits.lo[0], limits.hi[0]), abs=1e-9)


def test_where_none_came_back_the_upper_limit_is_wilsons_for_those_still_followed():
    value, lo, hi = at_window([30] * 25 + [5] * 10, [0] * 35)
    assert (value, lo) == (0, 0)
    assert hi == pytest.approx(float(wilson(0, 25).hi))


def test_where_all_came_back_the_lower_limit_is_wilsons():
    value, lo, hi = at_window([3, 4, 5], [1, 1, 1])
    assert (value, hi) == pytest.approx((1, 1))
    assert lo == pytest.approx(float(wilson(3, 3).lo))


def test_a_window_no_bleed_was_followed_for_is_unknown():
    assert np.isnan(at_window([3, 19], [1, 0])).all()


def test_without_censoring_it_is_the_proportion():
    days, end = [5] * 3 + [8] * 2 + [30] * 5, [1] * 3 + [2] * 2 + [0] * 5
    assert at_window(days, end)[0] == pytest.approx(0.3, abs=1e-12)


def test_a_return_after_the_window_does_not_count():
    assert at_window([21] * 10, [1] * 10)[0] == 0
