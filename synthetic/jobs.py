"""Jobs: the context of each bleed before work starts, the technician who takes it, and the lots of fluid and kits it uses."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import polars as pl
from numpy.typing import NDArray

from synthetic.fleet import NO_NEXT, Fleet, FloatArray, IntArray, Visits, day_number, first_day
from synthetic.models import DOT, MODELS
from synthetic.technicians import Staff
from synthetic.workshop import Workshop

REASONS = ("scheduled", "soft_lever", "dirty_fluid", "new_hose", "new_brake", "leak_repair", "comeback", "other")
REASON_EFFECT = np.array([0.0, 0.25, 0.05, 0.25, 0.1, 0.35, 0.3, 0.0])
LATER_SHARES = (0.66, 0.0, 0.14, 0.08, 0.04, 0.04, 0.0, 0.04)
FIRST_SHARES = (0.46, 0.2, 0.12, 0.08, 0.06, 0.04, 0.0, 0.04)
FLUID_STATES = ("clear", "cloudy", "dark", "gritty")
ORDINARY_CASE = 0.5
MINUTES_A_DAY = 1440
OPENS, LAST_START = 8 * 60, 15 * 60 + 30


@dataclass(frozen=True)
class Jobs:
    """One entry per bleed. `start` is in minutes since 1970, `month` counts from 1, `case` is the log hazard ratio of the
    kind of work, `second` the number of earlier bleeds of its technician on that day, `unseen` a difficulty that nobody records."""

    brake: IntArray
    start: IntArray
    gap_days: IntArray
    month: IntArray
    reason: NDArray[np.intp]
    technician: NDArray[np.intp]
    difficulty: FloatArray
    fluid_out: NDArray[np.intp]
    temp_c: FloatArray
    before_excess_mm: FloatArray
    case: FloatArray
    second: IntArray
    unseen: FloatArray

    @property
    def count(self) -> int:
        return len(self.brake)

    @property
    def day(self) -> IntArray:
        return self.start // MINUTES_A_DAY

    def of(self, rows: NDArray[np.intp]) -> Jobs:
        return Jobs(**{f.name: getattr(self, f.name)[rows] for f in fields(Jobs)})


def planned_jobs(
    workshop: Workshop, brakes: Fleet, visits: Visits, technicians: Staff, rng: np.random.Generator
) -> Jobs:
    """Jobs of the planned visits."""
    n = len(visits.brake)
    # no later visit has the reason soft_lever: within the window it would count as a return
    reason = np.where(visits.first, rng.choice(8, n, p=FIRST_SHARES), rng.choice(8, n, p=LATER_SHARES))
    start = visits.day * MINUTES_A_DAY + rng.integers(OPENS, LAST_START, n)
    return _build_jobs(workshop, brakes, visits.brake, start, visits.gap_days, reason, technicians, rng)


def repair_jobs(
    workshop: Workshop,
    brakes: Fleet,
    earlier: Jobs,
    rows: IntArray,
    start: IntArray,
    technicians: Staff,
    rng: np.random.Generator,
) -> Jobs:
    """Repairs, begun at `start`, of the bleeds `rows` of `earlier`; their next planned bleed stays."""
    gap = earlier.gap_days[rows] - (start // MINUTES_A_DAY - earlier.day[rows])
    gap = np.where(earlier.gap_days[rows] >= NO_NEXT, NO_NEXT, gap)
    reason = np.where(rng.random(len(rows)) < 0.1, REASONS.index("soft_lever"), REASONS.index("comeback"))
    return _build_jobs(workshop, brakes, earlier.brake[rows], start, gap, reason, technicians, rng)


def _build_jobs(
    workshop: Workshop,
    brakes: Fleet,
    brake: IntArray,
    start: IntArray,
    gap: IntArray,
    reason: NDArray[np.intp],
    technicians: Staff,
    rng: np.random.Generator,
) -> Jobs:
    n = len(brake)
    day = start // MINUTES_A_DAY
    difficulty = 1.2 * brakes.internal[brake] + 0.5 * brakes.rear[brake] + 0.6 * (REASON_EFFECT[reason] > 0.2)
    month = _month_of_log(day, day_number(first_day(workshop)))
    technician = _assign_technicians(workshop, technicians, brakes.shop[brake], difficulty, rng)
    if workshop.newcomers:
        technician = _reassign_absent_jobs(workshop, technicians, technician, month, rng)
    dirty = rng.choice(4, n, p=(0.45, 0.3, 0.2, 0.05))
    dirty = np.where(reason == REASONS.index("dirty_fluid"), np.maximum(dirty, 1), dirty)
    season = np.cos(2 * np.pi * ((day % 365.25) - 200) / 365.25)
    case = _case_log_hazard(brakes, brake, reason, dirty)
    return Jobs(
        brake=brake,
        start=start,
        gap_days=gap,
        month=month,
        reason=reason,
        technician=technician,
        difficulty=difficulty,
        fluid_out=dirty,
        temp_c=np.round(18.5 + 4.5 * season + 1.5 * rng.standard_normal(n), 1),
        before_excess_mm=rng.gamma(1.5, 4.0, n) + 8.0 * (reason == 1) + 6.0 * (reason == 6),
        case=workshop.case_mix * (case - ORDINARY_CASE),
        second=_count_earlier_that_day(technician, start),
        unseen=rng.standard_normal(n) if workshop.unseen_hazard else np.zeros(n),
    )


def _case_log_hazard(brakes: Fleet, brake: IntArray, reason: NDArray[np.intp], dirty: NDArray[np.int64]) -> FloatArray:
    """Log hazard ratio of the kind of work: the brake, why it came in, and how dirty its fluid is (0 to 3)."""
    model = brakes.model[brake]
    return (
        0.5 * brakes.internal[brake]
        + 0.2 * brakes.rear[brake]
        + REASON_EFFECT[reason]
        + np.array([m.effect for m in MODELS])[model]
        + 0.1 * np.array([m.fluid == DOT for m in MODELS])[model]
        + 0.1 * (dirty >= 2)
        + 0.0002 * (brakes.hose_mm[brake] - 1300)
    )


def _assign_technicians(
    workshop: Workshop, technicians: Staff, shop: NDArray[np.intp], difficulty: FloatArray, rng: np.random.Generator
) -> NDArray[np.intp]:
    """The technician of each job: by pace, with a preference for or against difficult brakes."""
    chosen = np.zeros(len(shop), np.intp)
    levels = np.unique(np.round(difficulty, 1))
    typical = float(np.mean(difficulty)) if len(difficulty) else 0.0
    for place in range(len(workshop.shops)):
        staff = np.flatnonzero(technicians.shop == place)
        for level in levels:
            rows = np.flatnonzero((shop == place) & (np.abs(difficulty - level) < 0.05))
            pull = workshop.confounding * technicians.taste[staff] * (level - typical)
            share = technicians.pace[staff] * np.exp(pull)
            chosen[rows] = rng.choice(staff, len(rows), p=share / share.sum())
    return chosen


def _reassign_absent_jobs(
    workshop: Workshop,
    technicians: Staff,
    chosen: NDArray[np.intp],
    month: IntArray,
    rng: np.random.Generator,
) -> NDArray[np.intp]:
    """Give the jobs of newcomers from before their first month to the others of their workshop."""
    chosen = chosen.copy()
    new = {technicians.names.index(one.technician): one.month for one in workshop.newcomers}
    for index, first_month in new.items():
        others = [i for i in np.flatnonzero(technicians.shop == technicians.shop[index]) if i not in new]
        rows = np.flatnonzero((chosen == index) & (month < first_month))
        chosen[rows] = rng.choice(others, len(rows))
    return chosen


def _count_earlier_that_day(technician: NDArray[np.intp], start: IntArray) -> IntArray:
    """Number of bleeds of the same technician that began earlier on the same day, within these jobs."""
    day = start // MINUTES_A_DAY
    order = np.lexsort((start, day, technician))
    opens = np.ones(len(order), bool)
    opens[1:] = (np.diff(technician[order]) != 0) | (np.diff(day[order]) != 0)
    at = np.arange(len(order))
    place = np.zeros(len(order), np.int64)
    place[order] = at - np.maximum.accumulate(np.where(opens, at, 0))
    return place


def _month_of_log(day: IntArray, start: int) -> IntArray:
    months = day.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    first = np.datetime64(start, "D").astype("datetime64[M]").astype(np.int64)
    return np.asarray(months - first + 1, dtype=np.int64)


MINUTES_BETWEEN_KITS = 7
"""The kit is whichever is free: here it follows from the minute of the start, which nothing else depends on."""


def assign_lots(workshop: Workshop, day: IntArray, shop: NDArray[np.intp]) -> IntArray:
    """Number of each bleed's lot, from 0: each shop has its own, one after another in equal times."""
    first, last = day_number(first_day(workshop)), day_number(workshop.as_of)
    turn = (day - first) * workshop.fluid_lots // (last - first + 1)
    return np.asarray(shop * workshop.fluid_lots + np.clip(turn, 0, workshop.fluid_lots - 1), dtype=np.int64)


def assign_kits(workshop: Workshop, start: IntArray, shop: NDArray[np.intp]) -> IntArray:
    """Number of each bleed's kit, from 0: those of its shop are used side by side."""
    return np.asarray(shop * workshop.kits + start // MINUTES_BETWEEN_KITS % workshop.kits, dtype=np.int64)


def lot_log_hazard(workshop: Workshop, day: IntArray, shop: NDArray[np.intp]) -> NDArray[np.float64]:
    """Log hazard of each bleed's lot, whether or not stand readings show it."""
    if not workshop.fluid_lots:
        return np.zeros(len(day))
    return np.asarray(workshop.bad_lot * (assign_lots(workshop, day, shop) == workshop.fluid_lots // 2))


def lot_kit_log_hazard(
    workshop: Workshop, start: IntArray, day: IntArray, shop: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Log hazard of each bleed's lot and kit that no stand reading shows."""
    added = np.zeros(len(day)) if workshop.lot_air else lot_log_hazard(workshop, day, shop)
    if workshop.kits:
        added += workshop.bad_kit * (assign_kits(workshop, start, shop) == 0)
        added += workshop.kit_wear * (day - day_number(first_day(workshop))) / 100
    return added


def lot_and_kit_columns(workshop: Workshop, start: IntArray, day: IntArray, shop: NDArray[np.intp]) -> list[pl.Series]:
    """The columns fluid_lot and kit_id, as far as the workshop records them."""
    columns = []
    if workshop.fluid_lots:
        lot = pl.Series("fluid_lot", assign_lots(workshop, day, shop) + 1)
        columns.append(lot.cast(pl.String).str.zfill(3).str.replace("^", "L"))
    if workshop.kits:
        kit = pl.Series("kit_id", assign_kits(workshop, start, shop) + 1)
        columns.append(kit.cast(pl.String).str.zfill(2).str.replace("^", "kit "))
    return columns
