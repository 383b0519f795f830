"""Groups judged against what is expected of them, all at once or in turn, the one that differs most set apart first."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.rates.funnel import chance_limits, overdispersion, two_sided_p
from analysis.rates.leave_group_out import Expectation, LeaveGroupOut
from analysis.stats import benjamini_hochberg

FloatArray = NDArray[np.float64]
Marks = NDArray[np.bool_]
MIN_EXPECTED, MIN_MATURE = 2.0, 10
MIN_TO_SPREAD = 10
"""Fewer groups tell too little of how much groups differ in general: the one that does would widen its own limits."""
SIGNAL_Q = 0.05


@dataclass(frozen=True)
class GroupCounts:
    """Comebacks and mature bleeds, one entry a group."""

    observed: FloatArray
    mature: FloatArray

    @classmethod
    def of(cls, table: pl.DataFrame) -> GroupCounts:
        """Columns `comebacks` and `mature`."""
        return cls(*(table.get_column(name).to_numpy().astype(float) for name in ("comebacks", "mature")))

    def enough(self, expected: FloatArray) -> Marks:
        """Groups large enough to be judged."""
        return (np.nan_to_num(expected) >= MIN_EXPECTED) & (self.mature >= MIN_MATURE)


@dataclass(frozen=True)
class Comparison:
    """One entry a group; NaN where it was compared with nobody.

    `reference` is the comebacks the expectation rests on, `clustering` by how much counts vary more than the binomial;
    funnel limits are ratios; `signal` is that of `schemas.outputs.SIGNALS`.
    """

    expected: FloatArray
    reference: FloatArray
    clustering: float
    compared: Marks
    funnel_lo: FloatArray
    funnel_hi: FloatArray
    p_value: FloatArray
    q_value: FloatArray
    signal: NDArray[np.str_]


def compare_with_fixed(counts: GroupCounts, expected: FloatArray, *, judged: bool) -> Comparison:
    """Groups against known expectations, or only set beside them."""
    enough = counts.enough(expected) & judged
    if enough.sum() < 2:
        enough[:] = False
    known = Expectation(expected, np.full(len(expected), np.inf))
    found = _judge(counts, known, 1.0, enough, _spread(counts, known, 1.0, enough))
    q = np.full(len(expected), np.nan)
    q[enough] = benjamini_hochberg(found.p_value[enough])
    return _signalled(counts, found, q) if judged else replace(found, signal=np.full(len(expected), "none"))


def compare_stepwise(counts: GroupCounts, others: LeaveGroupOut) -> Comparison:
    """Groups against the others.

    The group that differs most is set apart, and those left are compared again with one another alone, until none of them
    differs; what was set apart is compared with those left. Of two groups left that differ nobody can say which one is
    out of the ordinary: both are set apart. So that one group's figures never make an unremarkable one look unusual.
    """
    apart, q = np.zeros(others.groups, dtype=bool), np.full(others.groups, np.nan)
    expectation = others.expectation(apart)
    enough = counts.enough(expectation.expected)
    tau2 = _spread(counts, expectation, others.clustering, enough)
    while True:
        found = _judge(counts, expectation, others.clustering, enough, tau2)
        left = found.compared & ~apart
        if left.sum() < 2:
            break
        q[left] = benjamini_hochberg(found.p_value[left])
        differ = left & (q <= SIGNAL_Q)
        if not differ.any():
            break
        if left.sum() == 2:
            q[left] = found.p_value[left].min()
            break
        apart[np.flatnonzero(left)[found.p_value[left].argmin()]] = True
        expectation = others.expectation(apart)
    return _signalled(counts, found, np.where(found.compared, q, np.nan))


def _spread(counts: GroupCounts, known: Expectation, clustering: float, enough: Marks) -> float:
    """How much groups differ in general: the variance of the log ratio between them."""
    if enough.sum() < MIN_TO_SPREAD:
        return 0.0
    o, e, reference = (each[enough] / clustering for each in (counts.observed, known.expected, known.reference))
    return overdispersion(o, e, reference=reference).tau2


def _judge(counts: GroupCounts, known: Expectation, clustering: float, enough: Marks, tau2: float) -> Comparison:
    size = len(known.expected)
    lo, hi, p = (np.full(size, np.nan) for _ in range(3))
    judged = enough & np.isfinite(known.expected)
    o, e, reference = (each[judged] / clustering for each in (counts.observed, known.expected, known.reference))
    if judged.any():
        lo[judged], hi[judged] = chance_limits(e, tau2=tau2, reference=reference)
        p[judged] = two_sided_p(o, e, tau2, reference)
    signal = np.where(judged, "none", "too_few")
    return Comparison(known.expected, known.reference, clustering, judged, lo, hi, p, np.full(size, np.nan), signal)


def _signalled(counts: GroupCounts, found: Comparison, q: FloatArray) -> Comparison:
    called = found.compared & (np.nan_to_num(q, nan=1.0) <= SIGNAL_Q)
    high = counts.observed > np.nan_to_num(found.expected)
    signal = np.where(called, np.where(high, "high", "low"), found.signal)
    return replace(found, q_value=q, signal=signal)
