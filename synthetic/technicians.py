"""The technicians: workshop, skill, preferred work and habits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.fleet import month_log_hazard
from synthetic.procedure import PLACE, STEP_IDS
from synthetic.workshop import Habit, Workshop

NAMES = (
    "Wren", "Sorrel", "Flint", "Alder", "Bracken", "Cinder", "Dace", "Ember", "Fennel", "Gorse", "Hazel", "Isle",
    "Juniper", "Kestrel", "Larch", "Merle", "Nettle", "Osier", "Perch", "Quill", "Rowan", "Sedge", "Thorn", "Umber",
)  # fmt: skip


@dataclass(frozen=True)
class Staff:
    """Technicians and workshops.

    One entry per technician: `names`, `shop` (index), `skill` (log hazard ratio, above 0 is worse), `taste` (preference for
    difficult brakes), `pace` (share of the work), `recorder`, and `habit`, added to the logit of missing each step; `wander`
    adds to it by month (rows; empty if habits are steady). `month_log_hazard` is the unexplained log hazard by shop and month. One
    entry per workshop: `shop_burden` (log hazard) and `shop_changes` (randomised to the changed procedure).
    """

    names: tuple[str, ...]
    shop: NDArray[np.intp]
    skill: NDArray[np.float64]
    taste: NDArray[np.float64]
    pace: NDArray[np.float64]
    recorder: NDArray[np.str_]
    habit: NDArray[np.float64]
    month_log_hazard: NDArray[np.float64]
    wander: NDArray[np.float64]
    shop_burden: NDArray[np.float64]
    shop_changes: NDArray[np.bool_]


def sample_staff(workshop: Workshop, rng: np.random.Generator) -> Staff:
    """Sample the technicians of the workshop, apart from what its habits fix."""
    n = workshop.technicians
    names = technician_names(n)
    habits = {habit.technician: habit for habit in workshop.habits}
    unknown = set(habits) - set(names)
    if unknown:
        raise ValueError(f"Workshop.habits: names of its technicians, got {sorted(unknown)}; names are {names}")
    skill = workshop.skill_sd * rng.standard_normal(n)
    taste = workshop.taste_sd * rng.standard_normal(n)
    habit = workshop.habit_sd * rng.standard_normal((n, len(STEP_IDS)))
    # people who skip one step skip others: half of the variance is shared
    shared = rng.standard_normal(n)
    habit = (habit + workshop.habit_sd * shared[:, None]) / np.sqrt(2)
    each = [habits.get(name, Habit(name)) for name in names]
    for i, one in enumerate(each):
        skill[i] = skill[i] if one.skill is None else one.skill
        taste[i] = taste[i] if one.taste is None else one.taste
        habit[i] = 0.0 if one.plain else habit[i]
        for step, logit in one.sloppy:
            habit[i, PLACE[step]] = logit
    shops = len(workshop.shops)
    return Staff(
        names=names,
        shop=np.arange(n) % len(workshop.shops),
        skill=skill,
        taste=taste,
        pace=1 + workshop.pace_spread * rng.uniform(-1, 1, n),
        recorder=np.array([one.recorder for one in each]),
        habit=habit,
        month_log_hazard=month_log_hazard(workshop, rng),
        wander=_sample_habit_drift(workshop, rng),
        shop_burden=workshop.shop_sd * rng.standard_normal(shops) if workshop.shop_sd else np.zeros(shops),
        shop_changes=rng.permutation(shops) < shops // 2 if workshop.trial else np.zeros(shops, bool),
    )


def _sample_habit_drift(workshop: Workshop, rng: np.random.Generator) -> NDArray[np.float64]:
    """Deviations by month, technician and step: a stationary first-order autoregression."""
    if not workshop.wander_sd:
        return np.zeros((0, workshop.technicians, len(STEP_IDS)))
    memory, new = workshop.wander_memory, np.sqrt(1 - workshop.wander_memory**2)
    noise = rng.standard_normal((workshop.months, workshop.technicians, len(STEP_IDS)))
    wander = noise.copy()
    for month in range(1, workshop.months):
        wander[month] = memory * wander[month - 1] + new * noise[month]
    return workshop.wander_sd * wander


def technician_names(count: int) -> tuple[str, ...]:
    """Names of the first `count` technicians."""
    return NAMES[:count] + tuple(f"Hand {number}" for number in range(len(NAMES) + 1, count + 1))
