"""Limits of monthly shares, against handbook charts.

Sources
- D. C. Montgomery, Introduction to Statistical Quality Control, Table 7.1 (also NIST/SEMATECH e-Handbook 6.3.3.2, mean
  .2313): 30 samples of 50; Table 7.2 in some editions 7.4: 25 samples of unequal size. Limits as kept in the tests of the R
  package qicharts2.
- M. A. Mohammed, J. S. Panesar, D. B. Laney & R. Wilson 2013, BMJ Qual. Saf. 22:362-368: 20 weeks of emergency attendances;
  widened limits recomputed with the moving range over 1.128, the constant as the handbooks print it.
"""

import numpy as np
import pytest

from analysis.monitoring import p_chart_limits

WAFERS = np.array([
    12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6,
])  # fmt: skip
ORDERS = np.array([12, 8, 6, 9, 10, 12, 11, 16, 10, 6, 20, 15, 9, 8, 6, 8, 10, 7, 5, 8, 5, 8, 10, 6, 9])
SIZES = np.array([
    100, 80, 80, 100, 110, 110, 100, 100, 90, 90, 110, 120, 120, 120, 110, 80, 80, 80, 90, 100, 100, 100, 100, 90, 90,
])  # fmt: skip
SEEN_IN_TIME = np.array([
    266501, 264225, 276532, 281461, 269071, 261215, 270409, 279778, 270483, 270320, 267923, 271478, 255353, 256820,
    261835, 259144, 255910, 260863, 264465, 260989,
])  # fmt: skip
ATTENDED = np.array([
    280443, 276823, 291681, 296155, 282343, 275888, 283867, 295251, 284468, 282529, 279618, 283932, 266629, 268091,
    276803, 271578, 266005, 273520, 278574, 273772,
])  # fmt: skip


def outside(limits, share):
    return (np.flatnonzero((share < limits.lower) | (share > limits.upper)) + 1).tolist()


def test_montgomerys_wafers():
    limits = p_chart_limits(WAFERS, np.full(30, 50), widen=False)
    assert limits.centre == pytest.approx(0.2313, abs=5e-5)
    assert (limits.lower[0], limits.upper[0]) == pytest.approx((0.052428, 0.410239), abs=1e-6)
    assert outside(limits, WAFERS / 50) == [15, 23]


def test_montgomerys_wafers_without_the_two_out_of_control():
    remaining = np.delete(WAFERS, [14, 22])
    limits = p_chart_limits(remaining, np.full(28, 50), widen=False)
    assert limits.centre == pytest.approx(0.2150, abs=5e-5)
    assert (limits.lower[0], limits.upper[0]) == pytest.approx((0.040703, 0.389297), abs=1e-6)
    assert outside(limits, remaining / 50) == [20]  # the book's sample 21, one place earlier without sample 15


def test_a_given_centre_line_is_used():
    limits = p_chart_limits(WAFERS, np.full(30, 50), widen=False, centre=0.2150)
    assert (limits.lower[0], limits.upper[0]) == pytest.approx((0.040703, 0.389297), abs=1e-5)  # a rounded centre


def test_montgomerys_orders_of_unequal_size():
    limits = p_chart_limits(ORDERS, SIZES, widen=False)
    assert limits.centre == pytest.approx(0.095510, abs=5e-7)
    printed = {80: (0, 0.194093), 90: (0.002565, 0.188455), 100: (0.007335, 0.183686), 110: (0.011438, 0.179582),
               120: (0.015017, 0.176003)}  # fmt: skip
    for size, (lower, upper) in printed.items():
        place = int(np.flatnonzero(size == SIZES)[0])
        assert (limits.lower[place], limits.upper[place]) == pytest.approx((lower, upper), abs=1e-6)
    assert outside(limits, ORDERS / SIZES) == [11]


def test_overdispersed_weeks_widen_their_limits():
    limits = p_chart_limits(SEEN_IN_TIME, ATTENDED)
    assert limits.centre == pytest.approx(0.9528997113, abs=1e-10)
    assert limits.sigma_z == pytest.approx(10.640422, abs=1e-6)
    assert limits.sigma_z == pytest.approx(10.636846, rel=5e-4)  # the exact constant, 2/sqrt(pi)
    assert (limits.lower[0], limits.upper[0]) == pytest.approx((0.940129644, 0.965669779), abs=1e-8)
    assert outside(limits, SEEN_IN_TIME / ATTENDED) == []


def test_the_same_weeks_with_binomial_limits():
    limits = p_chart_limits(SEEN_IN_TIME, ATTENDED, widen=False)
    assert (limits.lower[0], limits.upper[0]) == pytest.approx((0.951699565, 0.954099858), abs=1e-9)
    assert len(outside(limits, SEEN_IN_TIME / ATTENDED)) == 16


def test_limits_are_never_narrowed():
    even = p_chart_limits(np.array([10, 11, 10, 11, 10, 11]), np.full(6, 100))
    assert even.sigma_z < 1
    assert even.upper == pytest.approx(
        p_chart_limits(np.array([10, 11, 10, 11, 10, 11]), np.full(6, 100), widen=False).upper
    )
