"""Which groups differ from what is expected of them: limits, p-values, false discovery control, signals."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.rates.funnel import chance_limits, overdispersion, two_sided_p
from analysis.rates.leave_group_out import Expectation, LeaveGroupOut
from analysis.stats import benjamini_hochberg

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]
MIN_EXPECTED, MIN_MATURE = 2.0, 10
MIN_GROUPS_FOR_OVERDISPERSION = 10
"""With fewer groups the overdispersion cannot be estimated: a group that differs would widen its own limits."""
SIGNAL_Q = 0.05


@dataclass(frozen=True)
class GroupCounts:
    """Comebacks and mature bleeds of each group."""

    observed: FloatArray
    mature: FloatArray

    @classmethod
    def from_table(cls, table: pl.DataFrame) -> GroupCounts:
        """From the columns `comebacks` and `mature`."""
        return cls(*(table.get_column(name).to_numpy().astype(float) for name in ("comebacks", "mature")))

    def large_enough(self, expected: FloatArray) -> Mask:
        """Groups with enough mature bleeds and expected comebacks to be compared."""
        return (np.nan_to_num(expected) >= MIN_EXPECTED) & (self.mature >= MIN_MATURE)


@dataclass(frozen=True)
class GroupComparison:
    """The comparison of each group; NaN where it was not compared.

    `reference` is the count that the expectation rests on (infinite if known), `clustering` the design effect of bikes;
    funnel limits are ratios; `signal` is one of `schemas.outputs.SIGNALS`.
    """

    expected: FloatArray
    reference: FloatArray
    clustering: float
    compared: Mask
    funnel_lo: FloatArray
    funnel_hi: FloatArray
    p_value: FloatArray
    q_value: FloatArray
    signal: NDArray[np.str_]


def compare_stepwise(counts: GroupCounts, groups: LeaveGroupOut) -> GroupComparison:
    """Compare each group with the others, so that one unusual group does not make the others look unusual.

    While any group differs at q ≤ 0.05, the one with the smallest p-value is excluded from the reference and from
    the case-mix model, and the rest are compared again among themselves; excluded groups are compared with those left. If
    two groups are left and differ, the data cannot say which is unusual, and both signal.
    """
    excluded, q = np.zeros(groups.groups, dtype=bool), np.full(groups.groups, np.nan)
    expectation = groups.expectation()
    enough = counts.large_enough(expectation.expected)
    tau2 = _estimate_tau2(counts, expectation, groups.clustering, enough)
    while True:
        comparison = _compare_groups(counts, expectation, groups.clustering, enough, tau2)
        remaining = comparison.compared & ~excluded
        if remaining.sum() < 2:
            break
        q[remaining] = benjamini_hochberg(comparison.p_value[remaining])
        if not (remaining & (q <= SIGNAL_Q)).any():
            break
        if remaining.sum() == 2:
            q[remaining] = comparison.p_value[remaining].max()  # one comparison, seen from both sides
            break
        excluded[np.flatnonzero(remaining)[comparison.p_value[remaining].argmin()]] = True
        expectation = groups.without(excluded).expectation()
    return _add_signals(counts, comparison, np.where(comparison.compared, q, np.nan))


def _estimate_tau2(counts: GroupCounts, expectation: Expectation, clustering: float, enough: Mask) -> float:
    """Variance between groups of the log ratio; 0 with too few groups to estimate it."""
    if enough.sum() < MIN_GROUPS_FOR_OVERDISPERSION:
        return 0.0
    parts = (counts.observed, expectation.expected, expectation.reference)
    observed, expected, reference = (part[enough] / clustering for part in parts)
    return overdispersion(observed, expected, reference=reference).tau2


def _compare_groups(
    counts: GroupCounts, expectation: Expectation, clustering: float, enough: Mask, tau2: float
) -> GroupComparison:
    size = len(expectation.expected)
    lo, hi, p = (np.full(size, np.nan) for _ in range(3))
    compared = enough & np.isfinite(expectation.expected)
    parts = (counts.observed, expectation.expected, expectation.reference)
    observed, expected, reference = (part[compared] / clustering for part in parts)
    if compared.any():
        lo[compared], hi[compared] = chance_limits(expected, tau2=tau2, reference=reference)
        p[compared] = two_sided_p(observed, expected, tau2, reference)
    return GroupComparison(
        expected=expectation.expected,
        reference=expectation.reference,
        clustering=clustering,
        compared=compared,
        funnel_lo=lo,
        funnel_hi=hi,
        p_value=p,
        q_value=np.full(size, np.nan),
        signal=np.where(compared, "none", "too_few"),
    )


def _add_signals(counts: GroupCounts, comparison: GroupComparison, q: FloatArray) -> GroupComparison:
    differs = comparison.compared & (np.nan_to_num(q, nan=1.0) <= SIGNAL_Q)
    higher = counts.observed > np.nan_to_num(comparison.expected)
    signal = np.where(differs, np.where(higher, "high", "low"), comparison.signal)
    return replace(comparison, q_value=q, signal=signal)
