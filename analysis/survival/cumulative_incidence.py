"""Cumulative incidence of re-bleed returns, with a later bleed of the same brake as a competing event."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.stats import Z95, Interval, wilson
from schemas import empty, validate_table
from schemas.intermediate import Incidence

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
CENSORED, RETURN, COMPETING = 0, 1, 2
ROUNDING_TOLERANCE = 1e-12
"""A probability within this of 0 or 1 differs from it by rounding alone."""


@dataclass(frozen=True)
class RiskTable:
    """Bleeds at risk, returns and competing events: groups × days, days ascending."""

    at_risk: FloatArray
    returns: FloatArray
    competing: FloatArray

    @property
    def events(self) -> FloatArray:
        return self.returns + self.competing


@dataclass(frozen=True)
class CompetingRiskEstimate:
    """Cumulative incidence of a return, its variance, and the probability of neither event; groups × days."""

    incidence: FloatArray
    variance: FloatArray
    survival: FloatArray


@dataclass(frozen=True)
class WindowIncidence:
    """Cumulative incidence at the window with 95% limits, one per group; NaN where no bleed was followed that long."""

    incidence: FloatArray
    lo: FloatArray
    hi: FloatArray


@dataclass(frozen=True)
class IncidenceCurve:
    """Aalen-Johansen estimate at each day on which any bleed's time at risk ended.

    `incidence` of the return, its `variance` (Aalen), `survival` free of both events, and `one_minus_kaplan_meier`,
    which treats the competing event as censoring and is never smaller than `incidence`.
    """

    days: IntArray
    at_risk: IntArray
    incidence: FloatArray
    variance: FloatArray
    survival: FloatArray
    one_minus_kaplan_meier: FloatArray

    def index_at(self, day: float) -> int:
        """Index of the last day not after `day`; -1 before the first."""
        return int(np.searchsorted(self.days, day, side="right")) - 1


def product_limit(events: FloatArray, at_risk: FloatArray) -> FloatArray:
    """Product-limit estimate of survival after each day; days along the last axis.

    Source: E. L. Kaplan & P. Meier 1958, J. Am. Stat. Assoc. 53:457-481.
    """
    return np.asarray(np.cumprod(1 - events / np.maximum(at_risk, 1), axis=-1), dtype=np.float64)


def kaplan_meier(days: IntArray, event: NDArray[np.bool_], last_day: int) -> FloatArray:
    """Kaplan-Meier survival after each day from 0 to `last_day`.

    Parameters
    ----------
    days, event
        Time at risk in whole days, 0 or more, and whether it ended in the event; times after `last_day` are censored
        there.
    last_day
        0 or more.
    """
    ending = np.bincount(np.minimum(days, last_day), minlength=last_day + 1)
    events = np.bincount(days[event & (days <= last_day)], minlength=last_day + 1)
    return product_limit(events.astype(float), ending[::-1].cumsum()[::-1].astype(float))


def risk_table(group: IntArray, day: IntArray, end: IntArray, groups: int, days: int) -> RiskTable:
    """Count, by group and day (0 to days − 1), the bleeds at risk and those whose time ended in each event."""
    cell, size = group * days + day, groups * days
    returns, competing, ending = (
        np.bincount(cell[mask], minlength=size).reshape(groups, days).astype(float)
        for mask in (end == RETURN, end == COMPETING, slice(None))
    )
    return RiskTable(ending[:, ::-1].cumsum(axis=1)[:, ::-1], returns, competing)


def estimate(table: RiskTable) -> CompetingRiskEstimate:
    """Aalen-Johansen estimate, ties exact.

    Sources: O. O. Aalen & S. Johansen 1978, Scand. J. Stat. 5:141-150; Aalen's variance as given by T. M. Braun &
    Z. Yuan 2007, Stat. Med. 26:1170-1180.
    """
    survival = product_limit(table.events, table.at_risk)
    before = np.concatenate([np.ones((len(survival), 1)), survival[:, :-1]], axis=1)
    incidence = np.minimum(np.cumsum(before * table.returns / np.maximum(table.at_risk, 1), axis=1), 1.0)
    return CompetingRiskEstimate(incidence, _aalen_variance(table, before, incidence), survival)


def aalen_johansen(days: IntArray, end: IntArray) -> IncidenceCurve:
    """Cumulative incidence of RETURN with COMPETING as competing event, ties exact.

    Time at risk is in whole days; `end` is RETURN, COMPETING or CENSORED.
    """
    distinct, index = np.unique(days, return_inverse=True)
    table = risk_table(np.zeros_like(index), index, end, groups=1, days=len(distinct))
    estimates = estimate(table)
    return IncidenceCurve(
        days=distinct.astype(np.int64),
        at_risk=table.at_risk[0].astype(np.int64),
        incidence=estimates.incidence[0],
        variance=estimates.variance[0],
        survival=estimates.survival[0],
        one_minus_kaplan_meier=1 - product_limit(table.returns[0], table.at_risk[0]),
    )


def window_incidence(group: IntArray, days: IntArray, end: IntArray, groups: int, window_days: int) -> WindowIncidence:
    """Cumulative incidence at the window, by group.

    Limits on the complementary log-log scale. Where no bleed (every bleed) came back, the Wilson limit of 0 of those
    still at risk at the window (of all bleeds at risk at the start). NaN where no bleed was followed to the window and
    the last one observed had neither event, since the curve beyond it is not known.

    Parameters
    ----------
    group, days, end
        Each bleed's group (0 to groups − 1), time at risk in whole days, and RETURN, COMPETING or CENSORED.
    groups
        Number of groups.
    window_days
        Length of the window in days.
    """
    censored_days = np.minimum(days, window_days + 1)
    table = risk_table(group, censored_days, np.where(days > window_days, CENSORED, end), groups, window_days + 2)
    estimates = estimate(table)
    value, still = estimates.incidence[:, window_days], table.at_risk[:, window_days]
    limits = incidence_limits(value, estimates.variance[:, window_days])
    none, every = wilson(np.zeros(groups), still), wilson(table.at_risk[:, 0], table.at_risk[:, 0])
    estimable = (still > 0) | (estimates.survival[:, window_days] < ROUNDING_TOLERANCE)
    lo = np.where(value >= 1 - ROUNDING_TOLERANCE, every.lo, limits.lo)
    hi = np.where(value == 0, none.hi, limits.hi)
    return WindowIncidence(*(np.where(estimable, part, np.nan) for part in (value, lo, hi)))


def incidence_limits(incidence: FloatArray, variance: FloatArray) -> Interval:
    """95% limits on the complementary log-log scale (J. D. Kalbfleisch & R. L. Prentice 2002), within [0, 1]."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        half_width = Z95 * np.sqrt(variance) / (np.abs(np.log(incidence)) * incidence)
        lo, hi = incidence ** np.exp(half_width), incidence ** np.exp(-half_width)
    inside = (incidence > 0) & (incidence < 1)
    return Interval(np.where(inside, lo, incidence), np.where(inside, hi, incidence))


def event_type(followed: pl.DataFrame) -> IntArray:
    """How each bleed's time at risk ended: RETURN, COMPETING or CENSORED."""
    codes = {"return": RETURN, "re_bled": COMPETING, "next_bleed": COMPETING, "as_of": CENSORED}
    return followed.get_column("end").replace_strict(codes, return_dtype=pl.Int64).to_numpy()


def is_return_observable() -> pl.Expr:
    """Whether a return of the bleed would have been recorded (from end, days_at_risk and age_days).

    Bleeds outside the observation window were never at risk; a bleed on the as-of date itself was, for that day.
    """
    return ~((pl.col("end") == "as_of") & (pl.col("days_at_risk") == 0) & (pl.col("age_days") > 0))


def incidence(followed: pl.DataFrame) -> DataFrame[Incidence]:
    """Cumulative incidence by day over all bleeds, recent ones censored at the as-of date.

    One row for each day on which any bleed's time at risk ended, sorted. `naive` is one minus Kaplan-Meier with the
    competing event as censoring, for comparison. `followed` has end, days_at_risk and age_days of
    `schemas.intermediate.Followed`.
    """
    at_risk = followed.select("end", "days_at_risk", "age_days").filter(is_return_observable())
    if at_risk.is_empty():
        return empty(Incidence)
    curve = aalen_johansen(at_risk.get_column("days_at_risk").to_numpy(), event_type(at_risk))
    limits = incidence_limits(curve.incidence, curve.variance)
    columns = {"day": curve.days, "at_risk": curve.at_risk, "incidence": curve.incidence}
    table = pl.DataFrame(columns | {"lo": limits.lo, "hi": limits.hi, "naive": curve.one_minus_kaplan_meier})
    return validate_table(Incidence, table.with_columns(pl.col("incidence", "lo", "hi", "naive").clip(0, 1)))


def _aalen_variance(table: RiskTable, before: FloatArray, incidence: FloatArray) -> FloatArray:
    """Aalen's variance: its sum over days s ≤ t, expanded in powers of I(t) so that cumulative sums give every t."""
    at_risk, returns, ends = table.at_risk, table.returns, table.events
    with np.errstate(divide="ignore", invalid="ignore"):
        a = ends / ((at_risk - 1) * (at_risk - ends))
        b = before**2 * returns * (at_risk - returns) / (at_risk**2 * (at_risk - 1))
        c = before * returns * (at_risk - returns) / (at_risk * (at_risk - ends) * (at_risk - 1))
    defined = (at_risk > ends) & (at_risk > 1)  # the last bleed at risk contributes no variance
    a, b, c = (np.where(defined, term, 0.0) for term in (a, b, c))

    def total(term: FloatArray) -> FloatArray:
        return term.cumsum(axis=1)

    squares = incidence**2 * total(a) - 2 * incidence * total(a * incidence) + total(a * incidence**2)
    cross = incidence * total(c) - total(c * incidence)
    return np.maximum(squares + total(b) - 2 * cross, 0.0)
