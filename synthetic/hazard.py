"""How a brake goes soft: causes with a cumulative hazard each, so that every risk is a formula."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Cause:
    """One way of going soft: its name, Weibull shape (below 1 fades, above 1 wears out), the day at which a size of
    1 has gathered a cumulative hazard of 1, and the day after which it gathers no more."""

    name: str
    shape: float
    scale_days: float
    ends_days: float = float("inf")


@dataclass(frozen=True)
class SimulatedHazard:
    """The hazard of many bleeds: `sizes` has one row a bleed and one column a cause."""

    causes: tuple[Cause, ...]
    sizes: FloatArray

    def risk(self, days: FloatArray) -> FloatArray:
        """The chance to have gone soft by `days`, one a bleed."""
        return np.asarray(-np.expm1(-self.cumulative(days)))

    def cumulative(self, days: FloatArray) -> FloatArray:
        """The cumulative hazard by `days`, one a bleed."""
        total = np.zeros(len(days))
        for place, cause in enumerate(self.causes):
            reached = np.minimum(days, cause.ends_days) / cause.scale_days
            total += self.sizes[:, place] * reached**cause.shape
        return total

    def times(self, rng: np.random.Generator) -> tuple[FloatArray, NDArray[np.intp]]:
        """Days until each goes soft (infinite where never), and which cause it was."""
        days = np.full(self.sizes.shape, np.inf)
        for place, cause in enumerate(self.causes):
            size = self.sizes[:, place]
            with np.errstate(divide="ignore", over="ignore"):
                drawn = cause.scale_days * (rng.exponential(size=len(size)) / size) ** (1 / cause.shape)
            days[:, place] = np.where(drawn < cause.ends_days, drawn, np.inf)
        first = np.argmin(days, axis=1)
        return days[np.arange(len(days)), first], first
