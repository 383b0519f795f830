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
    add to each step. `month_luck` is the log hazard of each shop in each month that nothing recorded explains."""

    names: tuple[str, ...]
    shop: NDArray[np.intp]
    skill: NDArray[np.float64]
    taste: NDArray[np.float64]
    pace: NDArray[np.float64]
    recorder: NDArray[np.str_]
    habit: NDArray[np.float64]
    month_luck: NDArray[np.float64]


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
    return People(
        names=names,
        shop=np.arange(n) % len(workshop.shops),
        skill=skill,
        taste=taste,
        pace=1 + workshop.pace_spread * rng.uniform(-1, 1, n),
        recorder=np.array([one.recorder for one in each]),
        habit=habit,
        month_luck=month_luck(workshop, rng),
    )


def technician_names(count: int) -> tuple[str, ...]:
    """The first `count` technicians' names."""
    return NAMES[:count] + tuple(f"Hand {number}" for number in range(len(NAMES) + 1, count + 1))
