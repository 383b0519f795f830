"""Rows of the proof: a share, a mean or the root of a mean of squares, with its interval, beside its aim."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.stats import Z95, exact_binomial_limits

SIZES = (1_000, 3_000, 20_000)


@dataclass(frozen=True)
class Aim:
    """What a measure should be: not below `least`, not above `most` (NaN where there is no such limit)."""

    least: float = float("nan")
    most: float = float("nan")
    share: bool = True

    @property
    def words(self) -> str:
        if np.isfinite(self.least) and np.isfinite(self.most):
            return f"{self._told(self.least)} to {self._told(self.most)}"
        limit, word = (self.least, "at least") if np.isfinite(self.least) else (self.most, "at most")
        return f"{word} {self._told(limit)}" if np.isfinite(limit) else ""

    def _told(self, limit: float) -> str:
        return f"{limit:.0%}" if self.share else f"{limit:.3g}"

    def met(self, lo: float, hi: float) -> bool | None:
        """Whether an interval reaches into the aim; None where there is none."""
        if np.isnan(self.least) and np.isnan(self.most):
            return None
        return not (hi < self.least or lo > self.most)


def share_row(measure: str, sessions: int, true: list[bool], aim: Aim) -> dict[str, Any]:
    """How often it came true, with exact binomial limits; no value of nothing."""
    row = _head(measure, sessions, len(true), aim) | {"share": True}
    if not true:
        return row
    limits = exact_binomial_limits(sum(true), len(true))
    lo, hi = float(limits.lo), float(limits.hi)
    return row | {"value": float(np.mean(true)), "lo": lo, "hi": hi, "met": aim.met(lo, hi)}


def mean_row(measure: str, sessions: int, values: list[float], aim: Aim) -> dict[str, Any]:
    """The mean over workshops with normal limits, what is not finite left out; no value of fewer than two."""
    row = _head(measure, sessions, len(values), aim) | {"share": False}
    known = [value for value in values if np.isfinite(value)]
    if len(known) < 2:
        return row
    sd, middle = float(np.std(known)) / (len(known) - 1) ** 0.5, float(np.mean(known))
    lo, hi = middle - Z95 * sd, middle + Z95 * sd
    return row | {"value": middle, "lo": lo, "hi": hi, "met": aim.met(lo, hi)}


def root_mean_row(measure: str, sessions: int, squares: list[float], most: float) -> dict[str, Any]:
    """The root of a mean of squares, limits likewise."""
    aim = Aim(most=most, share=False)
    row = mean_row(measure, sessions, squares, aim)
    if "value" not in row:
        return row
    lo, value, hi = (float(np.sqrt(max(row[name], 0.0))) for name in ("lo", "value", "hi"))
    return row | {"lo": lo, "value": value, "hi": hi, "met": aim.met(lo, hi)}


def at_size(sessions: int, aims: tuple[float, ...]) -> float:
    """Of aims for each of `SIZES` that of the largest one reached; NaN below the first."""
    reached = [aim for size, aim in zip(SIZES, aims, strict=True) if sessions >= size]
    return reached[-1] if reached else float("nan")


def _head(measure: str, sessions: int, worlds: int, aim: Aim) -> dict[str, Any]:
    least, most = (limit if np.isfinite(limit) else None for limit in (aim.least, aim.most))
    return {
        "measure": measure,
        "sessions": sessions,
        "worlds": worlds,
        "aim": aim.words,
        "aim_least": least,
        "aim_most": most,
    }
