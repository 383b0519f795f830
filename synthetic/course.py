"""The sequence of events: planned bleeds, returns, the repairs of those returns, and so on."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from synthetic import loglinear, physical
from synthetic.fleet import Fleet, IntArray, day_number, fleet, planned_visits
from synthetic.hazard import FloatArray
from synthetic.jobs import MINUTES_A_DAY, OPENS, Jobs, lot_kit_log_hazard, lot_log_hazard, planned_jobs, repair_jobs
from synthetic.missed_steps import Missed, calendar_log_hazard, sample_miss_chances
from synthetic.models import MODELS
from synthetic.physical import Circumstances
from synthetic.response import adapt_misses_to_bubbles
from synthetic.technicians import Staff
from synthetic.workshop import Workshop

NONE = -1
WAVES = 12
REPAIR_DELAYS, REPAIR_DELAY_SHARES = (0, 1, 2, 3), (0.5, 0.3, 0.1, 0.1)


@dataclass(frozen=True)
class SimulatedBleeds:
    """All bleeds and their outcomes, one entry per bleed.

    A return counts until `horizon_days` (end of the window or next planned bleed); `risk` is the chance of one by then.
    `return_start` is the minute of the return (-1: none by the last day of the log) and `return_day` the days until it.
    `reported_by_session` marks returns recorded only by the job reason of the repair. `repairs` is the row of the bleed that
    was repaired, or -1.
    """

    jobs: Jobs
    missed: Missed
    circumstances: Circumstances
    horizon_days: FloatArray
    risk: FloatArray
    cause: NDArray[np.str_]
    return_start: IntArray
    return_day: IntArray
    reported_by_session: NDArray[np.bool_]
    repairs: IntArray


@dataclass(frozen=True)
class SimulatedHistory:
    """All events with the brakes and technicians; `scale` is the baseline hazard that gives the base rate."""

    fleet: Fleet
    people: Staff
    course: SimulatedBleeds
    scale: float


def outcome_module(workshop: Workshop) -> ModuleType:
    """The module that computes air and hazards from missed steps."""
    return physical if workshop.generator == "physical" else loglinear


def history(workshop: Workshop, technicians: Staff, rng: np.random.Generator) -> SimulatedHistory:
    """Simulate all events from the first to the last day of the log, in the order of start times."""
    brakes = fleet(workshop, rng)
    jobs = planned_jobs(workshop, brakes, planned_visits(workshop, len(brakes.bike), rng), technicians, rng)
    scale = _find_baseline_scale(workshop, brakes, jobs, technicians, rng)
    waves: list[SimulatedBleeds] = []
    before = 0
    repairs = np.full(jobs.count, NONE)
    for _ in range(WAVES):
        wave, again = _simulate_outcomes(workshop, scale, brakes, jobs, repairs, technicians, rng)
        waves.append(wave)
        if again is None:
            break
        jobs, repaired = again
        repairs = before + repaired
        before += wave.jobs.count
    return SimulatedHistory(
        brakes, technicians, _sort_by_start(_cut_to_size(workshop, _concatenate_waves(waves), rng)), scale
    )


def _simulate_outcomes(
    workshop: Workshop,
    scale: float,
    brakes: Fleet,
    jobs: Jobs,
    repairs: IntArray,
    technicians: Staff,
    rng: np.random.Generator,
) -> tuple[SimulatedBleeds, tuple[Jobs, IntArray] | None]:
    """The outcomes of these jobs, and the repairs that follow with the rows that they repair."""
    missed, circumstances = _simulate_misses(workshop, brakes, jobs, technicians, rng)
    hazard = outcome_module(workshop).hazard(workshop, scale, missed, circumstances)
    material = lot_kit_log_hazard(workshop, jobs.start, jobs.day, brakes.shop[jobs.brake])
    hazard = replace(hazard, sizes=hazard.sizes * np.exp(material)[:, None])
    horizon = np.minimum(workshop.window_days + 1.0, jobs.gap_days)
    days, cause = hazard.times(rng)
    as_of = day_number(workshop.as_of)
    return_day = np.minimum(np.floor(days), 1e6).astype(np.int64)
    returned = (return_day < jobs.gap_days) & (jobs.day + return_day <= as_of)
    later = (jobs.day + return_day) * MINUTES_A_DAY + OPENS + rng.integers(0, 180, jobs.count)
    moment = np.where(return_day == 0, jobs.start + rng.integers(60, 90, jobs.count), later)
    reported = (
        returned & (return_day <= workshop.window_days) & (rng.random(jobs.count) < workshop.return_reported_by_session)
    )
    course = SimulatedBleeds(
        jobs=jobs,
        missed=missed,
        circumstances=circumstances,
        horizon_days=horizon,
        risk=hazard.risk(horizon),
        cause=np.array([c.name for c in hazard.causes])[cause],
        return_start=np.where(returned, moment, NONE),
        return_day=np.where(returned, return_day, NONE),
        reported_by_session=reported,
        repairs=repairs,
    )
    return course, _repairs(workshop, brakes, course, technicians, rng)


def _repairs(
    workshop: Workshop, brakes: Fleet, course: SimulatedBleeds, technicians: Staff, rng: np.random.Generator
) -> tuple[Jobs, IntArray] | None:
    """The jobs within the log that repair these returns, and the rows that they repair."""
    rows = np.flatnonzero(course.return_day != NONE)
    start = _sample_repair_starts(course, rows, rng)
    in_log = start // MINUTES_A_DAY <= day_number(workshop.as_of)
    rows, start = rows[in_log], start[in_log]
    return (repair_jobs(workshop, brakes, course.jobs, rows, start, technicians, rng), rows) if len(rows) else None


def _simulate_misses(
    workshop: Workshop, brakes: Fleet, jobs: Jobs, technicians: Staff, rng: np.random.Generator
) -> tuple[Missed, Circumstances]:
    shop = brakes.shop[jobs.brake]
    chance = sample_miss_chances(workshop, jobs, technicians, shop, rng)
    roll = rng.random(chance.shape)
    burden = jobs.case + technicians.skill[jobs.technician] + brakes.proneness[jobs.brake]
    burden = burden + calendar_log_hazard(workshop, jobs, technicians, shop) + technicians.shop_burden[shop]
    burden = burden + workshop.unseen_hazard * jobs.unseen
    if workshop.lot_air:
        burden = burden + lot_log_hazard(workshop, jobs.day, shop)
    if workshop.trial:
        burden = burden + workshop.trial.shift * (technicians.shop_changes[shop] & (jobs.month >= workshop.trial.month))
    wearing = [place for place, model in enumerate(MODELS) if model.name == workshop.wearing_model]
    luck = rng.standard_normal((jobs.count, 2))
    wears = np.isin(brakes.model[jobs.brake], wearing)
    look = rng.spawn(1)[0].random(jobs.count)
    circumstances = Circumstances(burden, luck, brakes.internal[jobs.brake], wears, chance, roll, look)
    return adapt_misses_to_bubbles(outcome_module(workshop), workshop, roll < chance, circumstances), circumstances


def _sample_repair_starts(course: SimulatedBleeds, rows: NDArray[np.intp], rng: np.random.Generator) -> IntArray:
    """Start times of the repairs of `rows`, before the next planned bleed of the brake."""
    jobs = course.jobs
    delay = rng.choice(REPAIR_DELAYS, len(rows), p=REPAIR_DELAY_SHARES)
    room = course.return_day[rows] + delay < jobs.gap_days[rows]
    delay = np.where(room & ~course.reported_by_session[rows], delay, 0)
    same_day = course.return_start[rows] + rng.integers(60, 240, len(rows))
    other_day = (course.return_start[rows] // MINUTES_A_DAY + delay) * MINUTES_A_DAY + rng.integers(
        OPENS, OPENS + 420, len(rows)
    )
    return np.where(delay == 0, same_day, other_day)


def _find_baseline_scale(
    workshop: Workshop, brakes: Fleet, jobs: Jobs, technicians: Staff, rng: np.random.Generator
) -> float:
    """The baseline hazard at which planned bleeds come back at the base rate, wear not counted."""
    rows = rng.permutation(jobs.count)[:100_000]
    sample = jobs.of(rows)
    missed, circumstances = _simulate_misses(workshop, brakes, sample, technicians, rng)
    circumstances = replace(circumstances, wears=np.zeros(len(rows), bool))
    horizon = np.minimum(workshop.window_days + 1.0, sample.gap_days)
    hazard = outcome_module(workshop).hazard(workshop, 1.0, missed, circumstances).cumulative(horizon)
    low, high = -30.0, 10.0
    for _ in range(60):
        middle = (low + high) / 2
        rate = float(np.mean(-np.expm1(-np.exp(middle) * hazard)))
        low, high = (middle, high) if rate < workshop.base_rate else (low, middle)
    return float(np.exp((low + high) / 2))


def _cut_to_size(workshop: Workshop, course: SimulatedBleeds, rng: np.random.Generator) -> SimulatedBleeds:
    """Remove whole brakes until the number of bleeds is `workshop.sessions`."""
    brakes, each = np.unique(course.jobs.brake, return_counts=True)
    order = rng.permutation(len(brakes))
    selected = np.zeros(len(brakes), bool)
    total = np.cumsum(each[order])
    selected[order[total <= workshop.sessions]] = True
    missing = workshop.sessions - int(each[selected].sum())
    single = order[(each[order] == 1) & ~selected[order]]
    if len(single) < missing:
        single = _choose_brakes_to_add(order[~selected[order]], each, missing)
    selected[single[:missing]] = True
    rows = np.flatnonzero(np.isin(course.jobs.brake, brakes[selected]))
    return _select_rows(course, rows)


def _choose_brakes_to_add(brakes: NDArray[np.intp], each: NDArray[np.int64], missing: int) -> NDArray[np.intp]:
    """Brakes to add, those with most bleeds first, so that as few bleeds as possible are missing."""
    chosen: list[int] = []
    for brake in sorted(brakes.tolist(), key=lambda one: -int(each[one])):
        if each[brake] <= missing:
            chosen.append(brake)
            missing -= int(each[brake])
    return np.array(chosen, dtype=np.intp)


def _sort_by_start(course: SimulatedBleeds) -> SimulatedBleeds:
    """The bleeds sorted by start time."""
    return _select_rows(course, np.lexsort((course.jobs.brake, course.jobs.start)))


def _select_rows(course: SimulatedBleeds, rows: NDArray[np.intp]) -> SimulatedBleeds:
    """These rows in this order, with `repairs` renumbered."""
    place = np.full(course.jobs.count + 1, NONE)
    place[rows] = np.arange(len(rows))
    changed = {
        f.name: getattr(course, f.name)[rows]
        for f in fields(SimulatedBleeds)
        if f.name not in ("jobs", "circumstances")
    }
    changed["repairs"] = place[changed["repairs"]]
    return SimulatedBleeds(jobs=course.jobs.of(rows), circumstances=course.circumstances.of(rows), **changed)


def _concatenate_waves(waves: list[SimulatedBleeds]) -> SimulatedBleeds:
    def together(parts: list, kind: type) -> dict[str, np.ndarray]:
        return {f.name: np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(kind)}

    jobs = Jobs(**together([wave.jobs for wave in waves], Jobs))
    circumstances = Circumstances(**together([wave.circumstances for wave in waves], Circumstances))
    rest = [f.name for f in fields(SimulatedBleeds) if f.name not in ("jobs", "circumstances")]
    columns = {name: np.concatenate([getattr(wave, name) for wave in waves]) for name in rest}
    return SimulatedBleeds(jobs=jobs, circumstances=circumstances, **columns)
