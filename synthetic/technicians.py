"""The technicians: where they work, how skilled they are, which brakes they take, what they tend to skip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.calendar import month_luck
from synthetic.procedure import PLACE, STEP_IDS
from synthetic.workshop import Habit, Workshop

NAMES = (
    "Wren", "Sorrel", "Flint", "Alder", "Bracken", "Cinder", "Dace", "Ember", "Fennel", "Gorse", "Hazel", "Isle",
    "Juniper", "Kestrel", "Larch", "Merle", "Nettle", "Osier", "Perch", "Quill", "Rowan", "Sedge", "Thorn", "Umber",
)  # fmt: skip


@dataclass(frozen=True)
class People:
    """One entry a technician: name, shop (its place in the workshop's shops), skill (log hazard ratio, above 0
    worse), taste (pull towards difficult brakes), pace (share of the work), recorder, and the missed logit they
    add to each step; `wander` adds to it month by month (one row per month; empty where habits are steady).
    `month_luck` is the log hazard of each shop in each month that nothing recorded explains. One entry per workshop: its
    log hazard, and whether a trial drew it for the changed procedure."""

    names: tuple[str, ...]
    shop: NDArray[np.intp]
    skill: NDArray[np.float64]
    taste: NDArray[np.float64]
    pace: NDArray[np.float64]
    recorder: NDArray[np.str_]
    habit: NDArray[np.float64]
    month_luck: NDArray[np.float64]
    wander: NDArray[np.float64]
    shop_burden: NDArray[np.float64]
    shop_changes: NDArray[np.bool_]


def people(workshop: Workshop, rng: np.random.Generator) -> People:
    """The workshop's technicians, drawn; what its habits fix stays fixed."""
    n = workshop.technicians
    names = technician_names(n)
    known = {habit.technician: habit for habit in workshop.habits}
    strangers = set(known) - set(names)
    if strangers:
        raise ValueError(f"Workshop.habits: names of its technicians, got {sorted(strangers)}; names are {names}")
    skill = workshop.skill_sd * rng.standard_normal(n)
    taste = workshop.taste_sd * rng.standard_normal(n)
    habit = workshop.habit_sd * rng.standard_normal((n, len(STEP_IDS)))
    # people who cut corners cut several: half of the spread is shared, and the careless are a little worse besides
    shared = rng.standard_normal(n)
    habit = (habit + workshop.habit_sd * shared[:, None]) / np.sqrt(2)
    each = [known.get(name, Habit(name)) for name in names]
    for i, one in enumerate(each):
        skill[i] = skill[i] if one.skill is None else one.skill
        taste[i] = taste[i] if one.taste is None else one.taste
        habit[i] = 0.0 if one.plain else habit[i]
        for step, logit in one.sloppy:
            habit[i, PLACE[step]] = logit
    shops = len(workshop.shops)
    return People(
        names=names,
        shop=np.arange(n) % len(workshop.shops),
        skill=skill,
        taste=taste,
        pace=1 + workshop.pace_spread * rng.uniform(-1, 1, n),
        recorder=np.array([one.recorder for one in each]),
        habit=habit,
        month_luck=month_luck(workshop, rng),
        wander=_wander(workshop, rng),
        shop_burden=workshop.shop_sd * rng.standard_normal(shops) if workshop.shop_sd else np.zeros(shops),
        shop_changes=rng.permutation(shops) < shops // 2 if workshop.trial else np.zeros(shops, bool),
    )


def _wander(workshop: Workshop, rng: np.random.Generator) -> NDArray[np.float64]:
    """Months by technicians by steps: a stationary autoregression of the first order."""
    if not workshop.wander_sd:
        return np.zeros((0, workshop.technicians, len(STEP_IDS)))
    memory, new = workshop.wander_memory, np.sqrt(1 - workshop.wander_memory**2)
    noise = rng.standard_normal((workshop.months, workshop.technicians, len(STEP_IDS)))
    wander = noise.copy()
    for month in range(1, workshop.months):
        wander[month] = memory * wander[month - 1] + new * noise[month]
    return workshop.wander_sd * wander


def technician_names(count: int) -> tuple[str, ...]:
    """The first `count` technicians' names."""
    return NAMES[:count] + tuple(f"Hand {number}" for number in range(len(NAMES) + 1, count + 1))
