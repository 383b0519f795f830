"""How many bleeds it takes: for a rate, for a difference between two arms, randomised by bleed or by week.

Normal approximations with the pooled variance under no difference: J. L. Fleiss, B. Levin, M. C. Paik, Statistical
Methods for Rates and Proportions; design effect: L. Kish 1965.
"""

from __future__ import annotations

import math
from statistics import NormalDist

_NORMAL = NormalDist()


def two_arm_power(rate_1: float, rate_2: float, bleeds_1: float, bleeds_2: float, alpha: float = 0.05) -> float:
    """Chance that a two-sided test at `alpha` finds the difference between two rates.

    Parameters
    ----------
    rate_1, rate_2
        Comeback rates of the arms, fractions in (0, 1).
    bleeds_1, bleeds_2
        Bleeds in each arm.
    """
    _refuse_rates(rate_1, rate_2)
    pooled = (bleeds_1 * rate_1 + bleeds_2 * rate_2) / (bleeds_1 + bleeds_2)
    null_sd = math.sqrt(pooled * (1 - pooled) * (1 / bleeds_1 + 1 / bleeds_2))
    sd = math.sqrt(rate_1 * (1 - rate_1) / bleeds_1 + rate_2 * (1 - rate_2) / bleeds_2)
    limit = _NORMAL.inv_cdf(1 - alpha / 2) * null_sd
    difference = abs(rate_1 - rate_2)
    return _NORMAL.cdf((difference - limit) / sd) + _NORMAL.cdf((-difference - limit) / sd)


def two_arm_bleeds(rate_1: float, rate_2: float, power: float = 0.8, alpha: float = 0.05) -> float:
    """Bleeds in each arm (not rounded) that find the difference between two rates with chance `power`."""
    _refuse_rates(rate_1, rate_2)
    if rate_1 == rate_2:
        raise ValueError(f"rate_1 and rate_2 must differ, got {rate_1}: no size finds no difference")
    middle = (rate_1 + rate_2) / 2
    at_null = _NORMAL.inv_cdf(1 - alpha / 2) * math.sqrt(2 * middle * (1 - middle))
    at_rates = _NORMAL.inv_cdf(power) * math.sqrt(rate_1 * (1 - rate_1) + rate_2 * (1 - rate_2))
    return ((at_null + at_rates) / (rate_1 - rate_2)) ** 2


def continuity_corrected(bleeds: float, rate_1: float, rate_2: float) -> float:
    """Fleiss's correction of a two-arm size for the steps of a count: what an exact test needs."""
    return bleeds / 4 * (1 + math.sqrt(1 + 4 / (bleeds * abs(rate_1 - rate_2)))) ** 2


def one_rate_bleeds(rate: float, detect: float, power: float = 0.9, alpha: float = 0.05) -> float:
    """Bleeds that tell a rate of `detect` from a known `rate`, one-sided (NIST/SEMATECH e-Handbook 7.2.4.2)."""
    _refuse_rates(rate, detect)
    at_null = _NORMAL.inv_cdf(1 - alpha) * math.sqrt(rate * (1 - rate))
    at_other = _NORMAL.inv_cdf(power) * math.sqrt(detect * (1 - detect))
    return ((at_null + at_other) / (detect - rate)) ** 2


def precise_rate_bleeds(rate: float, half_width: float) -> int:
    """Fewest bleeds whose 95% Wilson interval at `rate` is no wider than ± `half_width`."""
    _refuse_rates(rate, rate)
    low, high = 1, 2
    while _wilson_half_width(rate, high) > half_width:
        low, high = high, high * 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if _wilson_half_width(rate, middle) > half_width else (low, middle)
    return high


def design_effect(bleeds_per_week: float, weekly_correlation: float) -> float:
    """How many times more bleeds a trial needs when whole weeks are randomised (Kish 1965)."""
    return 1 + (bleeds_per_week - 1) * weekly_correlation


def _wilson_half_width(rate: float, bleeds: int) -> float:
    z = _NORMAL.inv_cdf(0.975)
    return z / (1 + z * z / bleeds) * math.sqrt(rate * (1 - rate) / bleeds + z * z / (4 * bleeds * bleeds))


def _refuse_rates(*rates: float) -> None:
    for rate in rates:
        if not 0 < rate < 1:
            raise ValueError(f"a rate must lie between 0 and 1, got {rate}")
