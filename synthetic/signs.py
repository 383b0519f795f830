"""Stand readings: lever travel, pump-up, hard pull and leaks, and the bench minutes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic.course import SimulatedHistory, outcome_module
from synthetic.models import MODELS
from synthetic.procedure import PLACE
from synthetic.readings import Columns
from synthetic.response import first_bubbles
from synthetic.workshop import Workshop

PUMPED_AWAY = 0.35
READ_TO_MM = 0.5
SOFT_AT_ML = 0.16
RELEASED_SOFT = 0.1
PUMP_NOISE = 0.4
"""As a fraction of the noise of lever travel."""
LEAK_SEEN = (0.008, 0.001)
"""Chance with and without a leak."""
LEAK_STEPS = ("seals", "caliper_port", "lever_port")


def shown_air_ml(workshop: Workshop, history: SimulatedHistory, rng: np.random.Generator) -> NDArray[np.float64]:
    """The air that the signs show, ml: of the bleed itself, or of another bleed if signs are uninformative."""
    course = history.course
    own = outcome_module(workshop).seen_air_ml(workshop, course.missed, course.circumstances)
    other = rng.permutation(own)
    return np.where(rng.random(len(own)) < workshop.signs_informative, own, other)


def signs(
    workshop: Workshop, history: SimulatedHistory, seen_ml: NDArray[np.float64], done: Columns, rng: np.random.Generator
) -> Columns:
    """One array per stand reading."""
    course, n = history.course, len(seen_ml)
    model = history.fleet.model[course.jobs.brake]
    reference = np.array([m.travel_reference_mm for m in MODELS])[model]
    excess = seen_ml * np.array([m.travel_mm_per_ml for m in MODELS])[model]
    travel = reference + excess + workshop.travel_noise_mm * rng.standard_normal(n)
    for step, millimetres in workshop.artefacts_mm:
        travel += millimetres * course.missed[:, PLACE[step]]
    gain = PUMPED_AWAY * excess + PUMP_NOISE * workshop.travel_noise_mm * rng.standard_normal(n)
    before = reference + course.jobs.before_excess_mm + rng.standard_normal(n)
    soft = soft_lever_chance(seen_ml)
    leaking = course.missed[:, [PLACE[step] for step in LEAK_STEPS]].any(axis=1)
    minutes = 16 + 5.5 * done["cycles"] + 0.8 * done["settle_minutes"] + 9 * history.fleet.internal[course.jobs.brake]
    bubbles = first_bubbles(outcome_module(workshop), workshop, course.missed, course.circumstances)
    other = bubbles if workshop.signs_informative == 1 else rng.permutation(bubbles)
    return {
        "bubbles_first": np.where(rng.random(n) < workshop.signs_informative, bubbles, other),
        "lever_travel_before_mm": np.clip(_round_to_reading(before), 0, done["lever_reach_mm"]),
        "lever_travel_after_mm": np.clip(_round_to_reading(travel), 0, done["lever_reach_mm"]),
        "pump_gain_mm": np.clip(_round_to_reading(gain), -5, 60),
        "hard_pull_firm": rng.random(n) >= RELEASED_SOFT * soft,
        "leak_seen": rng.random(n) < np.where(leaking, *LEAK_SEEN),
        "minutes": np.clip(np.round(minutes * np.exp(0.15 * rng.standard_normal(n))), 2, 480),
    }


def soft_lever_chance(seen_ml: NDArray[np.float64]) -> NDArray[np.float64]:
    """Chance that the lever is soft under a hard pull."""
    return 1 / (1 + np.exp(-(seen_ml - SOFT_AT_ML) / 0.015))


def _round_to_reading(millimetres: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.round(millimetres / READ_TO_MM) * READ_TO_MM
