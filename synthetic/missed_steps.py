"""Which steps each bleed really missed: habits, hurry, difficulty, changes and coaching."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic.fleet import season
from synthetic.jobs import Jobs
from synthetic.procedure import PLACE
from synthetic.technicians import Staff
from synthetic.workshop import Workshop

Missed = NDArray[np.bool_]
MIN_CHANCE, MAX_CHANCE = 0.001, 0.98


def sample_miss_chances(
    workshop: Workshop, jobs: Jobs, technicians: Staff, shop: NDArray[np.intp], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Chance that each step is missed, with the hurry of the bleed sampled."""
    share = np.array([step.share_missed for step in workshop.steps])
    spread = np.sqrt(workshop.habit_sd**2 + workshop.together_sd**2 + workshop.wander_sd**2)
    # a mean of logits with normal spread is nearer to one half, so the logit is widened to keep the share
    middle = np.log(share / (1 - share)) * np.sqrt(1 + 0.346 * spread**2)
    hurry = workshop.together_sd * rng.standard_normal(jobs.count)
    hurry += workshop.rush * (np.minimum(jobs.second, 6) - 0.5)
    hurry += workshop.difficulty_misses * (jobs.difficulty - 1.0)
    hurry += workshop.unseen_misses * jobs.unseen
    logit = middle + technicians.habit[jobs.technician] + hurry[:, None]
    if len(technicians.wander):
        logit += technicians.wander[jobs.month - 1, jobs.technician]
    _shift_miss_odds(workshop, jobs, shop, logit)
    _shift_coached_odds(workshop, jobs, technicians, logit)
    for one in workshop.newcomers:
        rows = jobs.technician == technicians.names.index(one.technician)
        learnt = 0.5 ** ((jobs.month[rows] - one.month) / one.halving_months)
        logit[rows] += (one.shift * learnt)[:, None]
    return np.clip(1 / (1 + np.exp(-logit)), MIN_CHANCE, MAX_CHANCE)


def calendar_log_hazard(
    workshop: Workshop, jobs: Jobs, technicians: Staff, shop: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Log hazard of the calendar: season, unexplained months, drift and changes without a step."""
    added = workshop.drift_per_month * (jobs.month - 1.0) + season(workshop, jobs.day)
    added = added + technicians.month_log_hazard[shop, np.minimum(jobs.month, workshop.months) - 1]
    for change in workshop.changes:
        if not change.step:
            added = added + change.shift * _is_affected(workshop, change.shop, change.month, jobs, shop)
    return np.asarray(added, dtype=np.float64)


def _shift_miss_odds(workshop: Workshop, jobs: Jobs, shop: NDArray[np.intp], logit: NDArray[np.float64]) -> None:
    for change in workshop.changes:
        if change.step:
            rows = _is_affected(workshop, change.shop, change.month, jobs, shop)
            logit[rows, PLACE[change.step]] += change.shift


def _shift_coached_odds(workshop: Workshop, jobs: Jobs, technicians: Staff, logit: NDArray[np.float64]) -> None:
    for lesson in workshop.lessons:
        index = technicians.names.index(lesson.technician)
        rows = (jobs.technician == index) & (jobs.month > lesson.month)
        logit[rows, PLACE[lesson.step]] += lesson.shift


def _is_affected(workshop: Workshop, name: str, month: int, jobs: Jobs, shop: NDArray[np.intp]) -> NDArray[np.bool_]:
    here = shop == workshop.shops.index(name) if name else np.ones(jobs.count, bool)
    return np.asarray(here & (jobs.month >= month))
