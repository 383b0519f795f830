"""Effects of the calendar: season, unexplained differences between months, a growing number of customers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic.workshop import Workshop

FloatArray = NDArray[np.float64]
WARMEST_DAY = 200
"""Day of the year (19 July) with the highest seasonal hazard: common practice, no source."""


def season(workshop: Workshop, day: NDArray[np.int64]) -> FloatArray:
    """Seasonal log hazard of each day (days since 1970); its maximum, in summer, is `workshop.season`."""
    return np.asarray(workshop.season * np.cos(2 * np.pi * ((day % 365.25) - WARMEST_DAY) / 365.25))


def month_luck(workshop: Workshop, rng: np.random.Generator) -> FloatArray:
    """Unexplained log hazard of each shop (rows) and month (columns); half of the variance is common to all shops."""
    shape = (len(workshop.shops), workshop.months)
    if not workshop.month_sd:
        return np.zeros(shape)
    common, own = rng.standard_normal(shape[1]), rng.standard_normal(shape)
    return np.asarray(workshop.month_sd * (common + own) / np.sqrt(2))


def joining_days(workshop: Workshop, brakes: int, period: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """First day, counted from 0, on which each brake may come to the workshop.

    The number of customers grows linearly to `workshop.growth` times that of the first day.
    """
    if workshop.growth == 1:
        return np.zeros(brakes, dtype=np.int64)
    is_first_customer = rng.random(brakes) < 1 / workshop.growth
    return np.where(is_first_customer, 0, rng.integers(0, period, brakes)).astype(np.int64)
