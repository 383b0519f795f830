"""The brakes and their planned visits, which do not depend on the outcome of earlier bleeds, and effects of the calendar."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.models import MODELS
from synthetic.workshop import Workshop

EPOCH = dt.date(1970, 1, 1)
NO_NEXT = 100_000
BIKE_KINDS = ("cargo", "hire", "longtail", "trike")
SHORTEST_GAP_DAYS = 25
IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Fleet:
    """One entry per brake; bike b has brakes 2b (front) and 2b + 1 (rear). `proneness` is the log hazard of the bike."""

    bike: IntArray
    rear: NDArray[np.bool_]
    shop: NDArray[np.intp]
    model: NDArray[np.intp]
    kind: NDArray[np.intp]
    internal: NDArray[np.bool_]
    hose_mm: FloatArray
    proneness: FloatArray

    @property
    def piston_pairs(self) -> IntArray:
        return np.array([model.piston_pairs for model in MODELS])[self.model]


@dataclass(frozen=True)
class Visits:
    """Planned bleeds: brake, day (since 1970), days to the next planned bleed of the brake, and whether it is the first."""

    brake: IntArray
    day: IntArray
    gap_days: IntArray
    first: NDArray[np.bool_]


def first_day(workshop: Workshop) -> dt.date:
    """First day of the log: the first of a month, `workshop.months` calendar months before its end."""
    months = workshop.as_of.year * 12 + workshop.as_of.month - workshop.months
    return dt.date(months // 12, months % 12 + 1, 1)


def day_number(day: dt.date) -> int:
    return (day - EPOCH).days


def fleet(workshop: Workshop, rng: np.random.Generator) -> Fleet:
    """Brakes for slightly more bleeds than `workshop.sessions`."""
    period = (workshop.as_of - first_day(workshop)).days + 1
    visits_each = (1 - workshop.one_off_share) * period / workshop.mean_gap_days + workshop.one_off_share
    served = (1 + 1 / workshop.growth) / 2  # mean share of the log's days on which a brake is a customer
    bikes = int(np.ceil(1.04 * workshop.sessions / visits_each / served / 2)) + 8
    shop = rng.integers(0, len(workshop.shops), bikes)
    model = rng.choice(len(MODELS), bikes, p=[m.share for m in MODELS])
    kind = rng.choice(len(BIKE_KINDS), bikes, p=(0.35, 0.4, 0.15, 0.1))
    tidy = rng.random(bikes) < 0.45
    proneness = workshop.bike_sd * rng.standard_normal(bikes)
    both = np.repeat(np.arange(bikes), 2)
    rear = np.arange(2 * bikes) % 2 == 1
    internal = tidy[both] & (rear | (rng.random(2 * bikes) < 0.4))
    longer = np.isin(kind[both], (0, 2))
    hose = np.where(rear, 1500.0, 850.0) + 300.0 * (longer & rear) + 60.0 * rng.standard_normal(2 * bikes)
    hose_mm = np.clip(np.round(hose / 5) * 5, 400, 2900)
    return Fleet(both, rear, shop[both], model[both], kind[both], internal, hose_mm, proneness[both])


def planned_visits(workshop: Workshop, brakes: int, rng: np.random.Generator) -> Visits:
    """Planned bleeds up to the last day of the log; `gap_days` extends past it."""
    start, as_of = day_number(first_day(workshop)), day_number(workshop.as_of)
    period = as_of - start + 1
    longest = int(2.5 * period / workshop.mean_gap_days) + 8
    spread = (workshop.mean_gap_days - SHORTEST_GAP_DAYS) / 2
    gaps = SHORTEST_GAP_DAYS + rng.gamma(2.0, spread, (brakes, longest))
    days = start + np.floor(np.cumsum(gaps, axis=1) - gaps[:, :1] * rng.random((brakes, 1))).astype(np.int64)
    once = rng.random(brakes) < workshop.one_off_share
    days[once, 0] = start + rng.integers(0, period, once.sum())
    days[once, 1:] = as_of + NO_NEXT
    days -= (days + 3) % 7 == 6  # closed on Sundays (1970-01-01 was a Thursday)
    days = np.maximum(days, start)
    gap = np.diff(days, axis=1, append=as_of + 3 * NO_NEXT)
    in_log = (days <= as_of) & (days >= start + joining_days(workshop, brakes, period, rng)[:, None])
    first = in_log & (np.cumsum(in_log, axis=1) == 1)
    brake = np.broadcast_to(np.arange(brakes)[:, None], days.shape)
    return Visits(brake[in_log], days[in_log], np.minimum(gap[in_log], NO_NEXT), first[in_log])


WARMEST_DAY = 200
"""Day of the year (19 July) with the highest seasonal hazard: common practice, no source."""


def season(workshop: Workshop, day: NDArray[np.int64]) -> FloatArray:
    """Seasonal log hazard of each day (days since 1970); its maximum, in summer, is `workshop.season`."""
    return np.asarray(workshop.season * np.cos(2 * np.pi * ((day % 365.25) - WARMEST_DAY) / 365.25))


def month_log_hazard(workshop: Workshop, rng: np.random.Generator) -> FloatArray:
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
