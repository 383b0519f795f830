"""What the calendar does by itself: a season, months that differ for no recorded reason, a trade that grows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic.workshop import Workshop

FloatArray = NDArray[np.float64]
WARMEST_DAY = 200
"""Day of the year (19 July) on which the season's hazard is highest: common practice, no source."""


def season(workshop: Workshop, day: NDArray[np.int64]) -> FloatArray:
    """The season's log hazard on each day (days since 1970): `workshop.season` at the height of summer, less in winter."""
    return np.asarray(workshop.season * np.cos(2 * np.pi * ((day % 365.25) - WARMEST_DAY) / 365.25))


def month_luck(workshop: Workshop, rng: np.random.Generator) -> FloatArray:
    """The log hazard of each shop (rows) in each month (columns, the first month first); half of its variance is common to
    all shops."""
    shape = (len(workshop.shops), workshop.months)
    if not workshop.month_sd:
        return np.zeros(shape)
    common, own = rng.standard_normal(shape[1]), rng.standard_normal(shape)
    return np.asarray(workshop.month_sd * (common + own) / np.sqrt(2))


def joining_days(workshop: Workshop, brakes: int, period: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """The day of the log, from 0, from which each brake is brought to this workshop.

    The number of customers grows along a straight line to `workshop.growth` times those of the first day.
    """
    if workshop.growth == 1:
        return np.zeros(brakes, dtype=np.int64)
    from_the_start = rng.random(brakes) < 1 / workshop.growth
    return np.where(from_the_start, 0, rng.integers(0, period, brakes)).astype(np.int64)
