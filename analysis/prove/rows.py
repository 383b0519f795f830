"""Rows of the validation: a share, a mean or a root mean square with its interval and target."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.stats import Z95, exact_binomial_limits

SIZES = (1_000, 3_000, 20_000)


@dataclass(frozen=True)
class Target:
    """What a measure should be: not below `minimum`, not above `maximum` (NaN where there is no such limit)."""

    minimum: float = float("nan")
    maximum: float = float("nan")
    share: bool = True

    @property
    def text(self) -> str:
        if np.isfinite(self.minimum) and np.isfinite(self.maximum):
            return f"{self._limit_text(self.minimum)} to {self._limit_text(self.maximum)}"
        limit, word = (self.minimum, "at least") if np.isfinite(self.minimum) else (self.maximum, "at most")
        return f"{word} {self._limit_text(limit)}" if np.isfinite(limit) else ""

    def _limit_text(self, limit: float) -> str:
        return f"{limit:.0%}" if self.share else f"{limit:.3g}"

    def is_met(self, lo: float, hi: float) -> bool | None:
        """Whether an interval overlaps the target; None without a target."""
        if np.isnan(self.minimum) and np.isnan(self.maximum):
            return None
        return not (hi < self.minimum or lo > self.maximum)


def share_row(measure: str, sessions: int, outcomes: list[bool], target: Target) -> dict[str, Any]:
    """The share of outcomes that happened, with exact binomial limits; no value without outcomes."""
    row = _head(measure, sessions, len(outcomes), target) | {"share": True}
    if not outcomes:
        return row
    limits = exact_binomial_limits(sum(outcomes), len(outcomes))
    lo, hi = float(limits.lo), float(limits.hi)
    return row | {"value": float(np.mean(outcomes)), "lo": lo, "hi": hi, "met": target.is_met(lo, hi)}


def mean_row(measure: str, sessions: int, values: list[float], target: Target) -> dict[str, Any]:
    """The mean of the finite values over workshops, with normal limits; no value with fewer than two."""
    row = _head(measure, sessions, len(values), target) | {"share": False}
    finite = [value for value in values if np.isfinite(value)]
    if len(finite) < 2:
        return row
    sd, mean = float(np.std(finite)) / (len(finite) - 1) ** 0.5, float(np.mean(finite))
    lo, hi = mean - Z95 * sd, mean + Z95 * sd
    return row | {"value": mean, "lo": lo, "hi": hi, "met": target.is_met(lo, hi)}


def root_mean_row(measure: str, sessions: int, squares: list[float], maximum: float) -> dict[str, Any]:
    """The root of a mean of squares and of its limits."""
    target = Target(maximum=maximum, share=False)
    row = mean_row(measure, sessions, squares, target)
    if "value" not in row:
        return row
    lo, value, hi = (float(np.sqrt(max(row[name], 0.0))) for name in ("lo", "value", "hi"))
    return row | {"lo": lo, "value": value, "hi": hi, "met": target.is_met(lo, hi)}


def at_size(sessions: int, targets: tuple[float, ...]) -> float:
    """The target of the largest of `SIZES` that a workshop reaches; NaN below the first."""
    reached = [target for size, target in zip(SIZES, targets, strict=True) if sessions >= size]
    return reached[-1] if reached else float("nan")


def _head(measure: str, sessions: int, workshops: int, target: Target) -> dict[str, Any]:
    least, most = (limit if np.isfinite(limit) else None for limit in (target.minimum, target.maximum))
    return {
        "measure": measure,
        "sessions": sessions,
        "workshops": workshops,
        "aim": target.text,
        "target_min": least,
        "target_max": most,
    }
