"""The Aalen–Johansen estimate from counts a day, for many groups at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.stats import Z95, Interval, wilson
from analysis.survival.kaplan_meier import product_limit

FloatArray = NDArray[np.float64]
Counts = NDArray[np.int64]
RETURN, OTHER, CENSORED = 1, 2, 0
ROUNDING_TOLERANCE = 1e-12
"""Shares this near nought (or one) are nought (one) but for rounding."""


@dataclass(frozen=True)
class RiskTable:
    """Bleeds at risk, returning and ending otherwise: one row a group, one column a day, days in order."""

    at_risk: FloatArray
    returns: FloatArray
    others: FloatArray

    @property
    def events(self) -> FloatArray:
        return self.returns + self.others


@dataclass(frozen=True)
class Estimate:
    """Cumulative incidence of a return, its variance, and the share free of either end; shaped as the tally."""

    incidence: FloatArray
    variance: FloatArray
    survival: FloatArray


@dataclass(frozen=True)
class WindowIncidence:
    """Incidence at the window with 95% limits, one a group; NaN where no bleed was followed so far."""

    incidence: FloatArray
    lo: FloatArray
    hi: FloatArray


def risk_table(group: Counts, day: Counts, end: Counts, groups: int, days: int) -> RiskTable:
    """Counts a group and day of bleeds whose time ended on `day` (0 to days − 1) by `end`."""
    place, size = group * days + day, groups * days
    returns, others, all_ends = (
        np.bincount(place[mask], minlength=size).reshape(groups, days).astype(float)
        for mask in (end == RETURN, end == OTHER, slice(None))
    )
    return RiskTable(all_ends[:, ::-1].cumsum(axis=1)[:, ::-1], returns, others)


def estimate(table: RiskTable) -> Estimate:
    """Aalen–Johansen with exact ties.

    Sources: O. O. Aalen & S. Johansen 1978, Scand. J. Stat. 5:141-150; Aalen's variance as given by T. M. Braun &
    Z. Yuan 2007, Stat. Med. 26:1170-1180.
    """
    present = np.maximum(table.at_risk, 1)  # where nobody is left nothing ends
    survival = product_limit(table.events, table.at_risk)
    before = np.concatenate([np.ones((len(present), 1)), survival[:, :-1]], axis=1)
    incidence = np.minimum(np.cumsum(before * table.returns / present, axis=1), 1.0)
    return Estimate(incidence, _variance(table, before, incidence), survival)


def window_incidence(group: Counts, days: Counts, end: Counts, groups: int, window_days: int) -> WindowIncidence:
    """Incidence at the window, group by group.

    Limits on the complementary log-log scale; where none (all) came back, the Wilson limit of none (all) of those
    still followed at the window (followed at all). NaN where nobody is followed up to the window and the last one
    seen was still free of either end: what happens after that is not known.

    Parameters
    ----------
    group, days, end
        Each bleed's group (0 to groups − 1), time at risk in whole days, and RETURN, OTHER or CENSORED.
    groups
        How many groups there are.
    window_days
        The window, days.
    """
    beyond = np.minimum(days, window_days + 1)
    table = risk_table(group, beyond, np.where(days > window_days, CENSORED, end), groups, window_days + 2)
    estimates = estimate(table)
    value, still = estimates.incidence[:, window_days], table.at_risk[:, window_days]
    limits = incidence_limits(value, estimates.variance[:, window_days])
    none, everyone = wilson(np.zeros(groups), still), wilson(table.at_risk[:, 0], table.at_risk[:, 0])
    known = (still > 0) | (estimates.survival[:, window_days] < ROUNDING_TOLERANCE)
    lo = np.where(value >= 1 - ROUNDING_TOLERANCE, everyone.lo, limits.lo)
    hi = np.where(value == 0, none.hi, limits.hi)
    return WindowIncidence(*(np.where(known, part, np.nan) for part in (value, lo, hi)))


def incidence_limits(incidence: FloatArray, variance: FloatArray) -> Interval:
    """95% limits on the complementary log-log scale (J. D. Kalbfleisch & R. L. Prentice 2002), within [0, 1]."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        half_width = Z95 * np.sqrt(variance) / (np.abs(np.log(incidence)) * incidence)
        lo, hi = incidence ** np.exp(half_width), incidence ** np.exp(-half_width)
    inside = (incidence > 0) & (incidence < 1)
    return Interval(np.where(inside, lo, incidence), np.where(inside, hi, incidence))


def _variance(table: RiskTable, before: FloatArray, incidence: FloatArray) -> FloatArray:
    """Sum over days s ≤ t, expanded in powers of I(t) so that it is one pass of cumulative sums."""
    at_risk, returns, ends = table.at_risk, table.returns, table.events
    with np.errstate(divide="ignore", invalid="ignore"):
        a = ends / ((at_risk - 1) * (at_risk - ends))
        b = before**2 * returns * (at_risk - returns) / (at_risk**2 * (at_risk - 1))
        c = before * returns * (at_risk - returns) / (at_risk * (at_risk - ends) * (at_risk - 1))
    contributes = (at_risk > ends) & (at_risk > 1)  # the last bleed followed says nothing of its own spread
    a, b, c = (np.where(contributes, term, 0.0) for term in (a, b, c))

    def total(term: FloatArray) -> FloatArray:
        return term.cumsum(axis=1)

    spread = incidence**2 * total(a) - 2 * incidence * total(a * incidence) + total(a * incidence**2)
    cross = incidence * total(c) - total(c * incidence)
    return np.maximum(spread + total(b) - 2 * cross, 0.0)
