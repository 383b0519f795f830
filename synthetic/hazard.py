"""Causes of a soft lever with their cumulative hazards, so that every risk is a formula."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Cause:
    """One cause: name, Weibull shape (below 1: early failures, above 1: wear), day at which the cumulative hazard is 1 for
    a size of 1, and the day after which it stops growing."""

    name: str
    shape: float
    scale_days: float
    ends_days: float = float("inf")


@dataclass(frozen=True)
class SimulatedHazard:
    """Hazards of bleeds (rows of `sizes`) by cause (columns)."""

    causes: tuple[Cause, ...]
    sizes: FloatArray

    def risk(self, days: FloatArray) -> FloatArray:
        """Chance of a return by `days`, one per bleed."""
        return np.asarray(-np.expm1(-self.cumulative(days)))

    def cumulative(self, days: FloatArray) -> FloatArray:
        """Cumulative hazard by `days`, one per bleed."""
        total = np.zeros(len(days))
        for place, cause in enumerate(self.causes):
            reached = np.minimum(days, cause.ends_days) / cause.scale_days
            total += self.sizes[:, place] * reached**cause.shape
        return total

    def times(self, rng: np.random.Generator) -> tuple[FloatArray, NDArray[np.intp]]:
        """Sampled days to the return (infinite: never) and its cause, one per bleed."""
        days = np.full(self.sizes.shape, np.inf)
        for place, cause in enumerate(self.causes):
            size = self.sizes[:, place]
            with np.errstate(divide="ignore", over="ignore"):
                time = cause.scale_days * (rng.exponential(size=len(size)) / size) ** (1 / cause.shape)
            days[:, place] = np.where(time < cause.ends_days, time, np.inf)
        first = np.argmin(days, axis=1)
        return days[np.arange(len(days)), first], first
