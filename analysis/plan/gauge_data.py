"""Sufficient statistics of a gauge study: mean and number of readings by item and technician, and the sum of squares
within.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class GaugeData:
    """One entry per pair of item and technician, sorted by both: sufficient statistics of the variance components.

    `within` is the sum of squares within pairs, with `degrees_of_freedom`. `indicators` map pairs to technician, pair
    and item; `shapes` are the covariances of the means per unit of variance of each.
    """

    means: FloatArray
    counts: FloatArray
    within: float
    degrees_of_freedom: int
    items: int
    technicians: int
    indicators: tuple[FloatArray, ...] = field(repr=False)
    shapes: tuple[FloatArray, ...] = field(repr=False)

    @property
    def complete(self) -> bool:
        """Whether every technician read every item."""
        return len(self.means) == self.items * self.technicians

    @property
    def balanced(self) -> bool:
        """Whether every technician read every item equally often."""
        return self.complete and len(np.unique(self.counts)) == 1


def gauge_data(readings: pl.DataFrame) -> GaugeData:
    """Reduce readings (item, technician, reading) to pairs."""
    squared_deviation = (pl.col("reading") - pl.col("reading").mean()) ** 2
    pairs = readings.group_by("item", "technician").agg(
        mean=pl.col("reading").mean(), n=pl.len(), within=squared_deviation.sum()
    )
    pairs = pairs.sort("item", "technician")
    technician, item = (_indicators(pairs.get_column(name)) for name in ("technician", "item"))
    indicators = (technician, np.eye(pairs.height), item)
    return GaugeData(
        means=pairs.get_column("mean").to_numpy(),
        counts=pairs.get_column("n").to_numpy().astype(float),
        within=float(pairs.get_column("within").sum()),
        degrees_of_freedom=readings.height - pairs.height,
        items=item.shape[1],
        technicians=technician.shape[1],
        indicators=indicators,
        shapes=tuple(indicator @ indicator.T for indicator in indicators),
    )


def _indicators(label: pl.Series) -> FloatArray:
    codes = label.rank("dense").to_numpy().astype(int) - 1
    return np.eye(codes.max() + 1)[codes]
