"""Sample sizes for a rate and for a difference between two arms, randomised by bleed or by week.

Normal approximation with the pooled variance under the null hypothesis: J. L. Fleiss, B. Levin & M. C. Paik,
Statistical Methods for Rates and Proportions. Design effect: L. Kish 1965.
"""

from __future__ import annotations

import math
from statistics import NormalDist

_NORMAL = NormalDist()


def two_arm_power(rate_1: float, rate_2: float, bleeds_1: float, bleeds_2: float, alpha: float = 0.05) -> float:
    """Power of a two-sided test at `alpha` for the difference between two rates.

    Parameters
    ----------
    rate_1, rate_2
        Comeback rates of the arms, fractions in (0, 1).
    bleeds_1, bleeds_2
        Bleeds in each arm.
    """
    _check_rates(rate_1, rate_2)
    pooled = (bleeds_1 * rate_1 + bleeds_2 * rate_2) / (bleeds_1 + bleeds_2)
    null_sd = math.sqrt(pooled * (1 - pooled) * (1 / bleeds_1 + 1 / bleeds_2))
    sd = math.sqrt(rate_1 * (1 - rate_1) / bleeds_1 + rate_2 * (1 - rate_2) / bleeds_2)
    limit = _NORMAL.inv_cdf(1 - alpha / 2) * null_sd
    difference = abs(rate_1 - rate_2)
    return _NORMAL.cdf((difference - limit) / sd) + _NORMAL.cdf((-difference - limit) / sd)


def two_arm_bleeds(rate_1: float, rate_2: float, power: float = 0.8, alpha: float = 0.05) -> float:
    """Bleeds in each arm (not rounded) for a power of `power`."""
    _check_rates(rate_1, rate_2)
    if rate_1 == rate_2:
        raise ValueError(f"both rates are {rate_1}: expected two different rates")
    mean_rate = (rate_1 + rate_2) / 2
    null_term = _NORMAL.inv_cdf(1 - alpha / 2) * math.sqrt(2 * mean_rate * (1 - mean_rate))
    alternative_term = _NORMAL.inv_cdf(power) * math.sqrt(rate_1 * (1 - rate_1) + rate_2 * (1 - rate_2))
    return ((null_term + alternative_term) / (rate_1 - rate_2)) ** 2


def continuity_corrected(bleeds: float, rate_1: float, rate_2: float) -> float:
    """Two-arm size with Fleiss's continuity correction, close to that of an exact test."""
    return bleeds / 4 * (1 + math.sqrt(1 + 4 / (bleeds * abs(rate_1 - rate_2)))) ** 2


def one_rate_bleeds(rate: float, detect: float, power: float = 0.9, alpha: float = 0.05) -> float:
    """Bleeds to detect a rate of `detect` against a known `rate`, one-sided (NIST/SEMATECH e-Handbook 7.2.4.2)."""
    _check_rates(rate, detect)
    null_term = _NORMAL.inv_cdf(1 - alpha) * math.sqrt(rate * (1 - rate))
    alternative_term = _NORMAL.inv_cdf(power) * math.sqrt(detect * (1 - detect))
    return ((null_term + alternative_term) / (detect - rate)) ** 2


def precise_rate_bleeds(rate: float, half_width: float) -> int:
    """Smallest number of bleeds whose 95% Wilson interval at `rate` has at most this half width."""
    _check_rates(rate, rate)
    low, high = 1, 2
    while _wilson_half_width(rate, high) > half_width:
        low, high = high, high * 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if _wilson_half_width(rate, middle) > half_width else (low, middle)
    return high


def design_effect(bleeds_per_week: float, weekly_correlation: float) -> float:
    """Factor on the number of bleeds when whole weeks are randomised (Kish 1965)."""
    return 1 + (bleeds_per_week - 1) * weekly_correlation


def _wilson_half_width(rate: float, bleeds: int) -> float:
    z = _NORMAL.inv_cdf(0.975)
    return z / (1 + z * z / bleeds) * math.sqrt(rate * (1 - rate) / bleeds + z * z / (4 * bleeds * bleeds))


def _check_rates(*rates: float) -> None:
    for rate in rates:
        if not 0 < rate < 1:
            raise ValueError(f"the rate is {rate}: expected a number between 0 and 1")
