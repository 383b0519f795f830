"""A curve along a reading: a level for each value where there are few, else a natural cubic spline."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
FEW_VALUES = 6
KNOT_SHARES = (0.05, 0.275, 0.5, 0.725, 0.95)
GRID_POINTS = 25


@dataclass(frozen=True)
class ReadingCurve:
    """A basis over readings and the readings at which the curve is told."""

    grid: FloatArray
    knots: FloatArray = field(repr=False)
    levels: bool

    @property
    def width(self) -> int:
        return len(self.grid) - 1 if self.levels else len(self.knots) - 1

    def basis(self, readings: FloatArray) -> FloatArray:
        """One column a level but the commonest one's stand-in, the first; or the restricted cubic basis."""
        if self.levels:
            nearest = _nearest(self.grid, readings)
            return (nearest[:, None] == np.arange(1, len(self.grid))).astype(float)
        return _restricted_cubic(readings, self.knots)

    def nearest_counts(self, readings: FloatArray) -> NDArray[np.int64]:
        """How many readings lie nearest to each point of the grid."""
        return np.bincount(_nearest(self.grid, readings), minlength=len(self.grid)).astype(np.int64)


def reading_curve(readings: FloatArray) -> ReadingCurve:
    """The curve that suits these readings (finite, at least two different)."""
    values = np.unique(readings)
    knots = np.unique(np.quantile(readings, KNOT_SHARES, method="nearest"))
    if len(values) <= FEW_VALUES or len(knots) < 3:
        return ReadingCurve(_common(readings), knots, levels=True)
    low, high = np.quantile(readings, [0.01, 0.99], method="nearest")
    inside = values[(values >= low) & (values <= high)]
    every = np.linspace(0, len(inside) - 1, min(GRID_POINTS, len(inside))).round().astype(int)
    return ReadingCurve(inside[np.unique(every)], knots, levels=False)


def _common(readings: FloatArray) -> FloatArray:
    """At most six values, the commonest: the curve has a level for each, rarer ones count with the nearest."""
    values, counts = np.unique(readings, return_counts=True)
    return np.sort(values[np.argsort(-counts, kind="stable")[:FEW_VALUES]])


def _nearest(grid: FloatArray, readings: FloatArray) -> NDArray[np.int64]:
    right = np.clip(np.searchsorted(grid, readings), 1, max(len(grid) - 1, 1))
    if len(grid) == 1:
        return np.zeros(len(readings), dtype=np.int64)
    left_closer = readings - grid[right - 1] <= grid[right] - readings
    return right - left_closer


def _restricted_cubic(readings: FloatArray, knots: FloatArray) -> FloatArray:
    """Linear beyond the outer knots; scaled to the readings' spread between them."""
    spread = knots[-1] - knots[0]
    u, t = (readings - knots[0]) / spread, (knots - knots[0]) / spread

    def cube(at: float) -> FloatArray:
        return np.maximum(u - at, 0.0) ** 3

    last, before = t[-1], t[-2]
    columns = [u]
    for at in t[:-2]:
        basis = cube(at) - cube(before) * (last - at) / (last - before) + cube(last) * (before - at) / (last - before)
        columns.append(basis)
    return np.column_stack(columns)
