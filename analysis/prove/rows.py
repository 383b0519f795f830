"""Rows of the proof: a share, a mean or the root of a mean of squares, with its interval, beside its aim."""

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

    def met(self, lo: float, hi: float) -> bool | None:
        """Whether an interval reaches into the aim; None where there is none."""
        if np.isnan(self.minimum) and np.isnan(self.maximum):
            return None
        return not (hi < self.minimum or lo > self.maximum)


def share_row(measure: str, sessions: int, outcomes: list[bool], target: Target) -> dict[str, Any]:
    """How often it came true, with exact binomial limits; no value of nothing."""
    row = _head(measure, sessions, len(outcomes), target) | {"share": True}
    if not outcomes:
        return row
    limits = exact_binomial_limits(sum(outcomes), len(outcomes))
    lo, hi = float(limits.lo), float(limits.hi)
    return row | {"value": float(np.mean(outcomes)), "lo": lo, "hi": hi, "met": target.met(lo, hi)}


def mean_row(measure: str, sessions: int, values: list[float], target: Target) -> dict[str, Any]:
    """The mean over workshops with normal limits, what is not finite left out; no value of fewer than two."""
    row = _head(measure, sessions, len(values), target) | {"share": False}
    known = [value for value in values if np.isfinite(value)]
    if len(known) < 2:
        return row
    sd, middle = float(np.std(known)) / (len(known) - 1) ** 0.5, float(np.mean(known))
    lo, hi = middle - Z95 * sd, middle + Z95 * sd
    return row | {"value": middle, "lo": lo, "hi": hi, "met": target.met(lo, hi)}


def root_mean_row(measure: str, sessions: int, squares: list[float], maximum: float) -> dict[str, Any]:
    """The root of a mean of squares, limits likewise."""
    aim = Target(maximum=maximum, share=False)
    row = mean_row(measure, sessions, squares, aim)
    if "value" not in row:
        return row
    lo, value, hi = (float(np.sqrt(max(row[name], 0.0))) for name in ("lo", "value", "hi"))
    return row | {"lo": lo, "value": value, "hi": hi, "met": aim.met(lo, hi)}


def at_size(sessions: int, targets: tuple[float, ...]) -> float:
    """Of aims for each of `SIZES` that of the largest one reached; NaN below the first."""
    reached = [aim for size, aim in zip(SIZES, targets, strict=True) if sessions >= size]
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
