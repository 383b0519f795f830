"""How bleeds are recorded: entries missing at random or by choice, copied from the bleed before, or rounded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.course import SimulatedHistory
from synthetic.procedure import PLACE, STEPS
from synthetic.readings import Columns
from synthetic.workshop import Workshop

COPIED_SHARE = 0.6
LEFT_OUT_BY_CHOICE = 0.8
CONTEXT = ("hose_mm", "temp_c", "fluid_out", "lever_travel_before_mm", "hose_route", "bike_kind", "volume_moved_ml")
SIGNS = ("bubbles_first", "lever_travel_after_mm", "pump_gain_mm", "hard_pull_firm", "leak_seen", "minutes")
COARSE = {
    "lever_travel_before_mm": 5,
    "lever_travel_after_mm": 5,
    "pump_gain_mm": 1,
    "minutes": 10,
    "volume_moved_ml": 10,
    "hose_mm": 100,
    "temp_c": 5,
}


@dataclass(frozen=True)
class Recording:
    """The entries of each field (`columns`) and whether they are recorded (`recorded`).

    `honest` marks by bleed and step the misses that the log shows, which may differ from what was done; `copied` marks copied
    bleeds.
    """

    columns: Columns
    recorded: dict[str, NDArray[np.bool_]]
    honest: NDArray[np.bool_]
    copied: NDArray[np.bool_]


def recording(workshop: Workshop, history: SimulatedHistory, columns: Columns, rng: np.random.Generator) -> Recording:
    """The recorded entries, from what was really done."""
    course, recorder = history.course, history.people.recorder[history.course.jobs.technician]
    columns = dict(columns)
    source, copied = _sample_copied_entries(course.jobs.technician, recorder == "copier", rng)
    for step in STEPS:
        for field in step.fields:
            columns[field] = columns[field][source]
    status = course.missed[source]
    # blocks copied from a brake with fewer pistons are too few for this one
    pairs = history.fleet.piston_pairs[course.jobs.brake]
    status[:, PLACE["blocks"]] = columns["blocks_fitted"] < pairs
    for field, unit in COARSE.items():
        rounded = np.round(columns[field] / unit) * unit
        columns[field] = np.where(recorder == "rounder", rounded, columns[field])
    recorded: dict[str, NDArray[np.bool_]] = {}
    honest = np.zeros_like(status)
    for place, step in enumerate(STEPS):
        is_recorded = _is_recorded(workshop, status[:, place], recorder == "selective", rng)
        if workshop.recorded_once_back:
            later = status[:, place] & (course.return_day < 0)
            is_recorded &= ~(later & (rng.random(len(later)) < workshop.recorded_once_back))
        recorded |= dict.fromkeys(step.fields, is_recorded)
        honest[:, place] = status[:, place] & is_recorded
    n = len(copied)
    recorded |= {field: rng.random(n) >= workshop.context_missing for field in CONTEXT}
    recorded |= {field: rng.random(n) >= workshop.signs_missing for field in SIGNS}
    return Recording(columns, recorded, honest, copied)


def _is_recorded(
    workshop: Workshop, missed: NDArray[np.bool_], selective: NDArray[np.bool_], rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Whether a step was recorded: some are missing at random, misses are left out more often."""
    left_out = workshop.missing_random + missed * np.where(selective, LEFT_OUT_BY_CHOICE, workshop.missing_selective)
    return np.asarray(rng.random(len(missed)) >= left_out)


def _sample_copied_entries(
    technician: NDArray[np.intp], copier: NDArray[np.bool_], rng: np.random.Generator
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """The bleed whose entries each bleed has (its own, or for a copier often the one before), and which are copies."""
    n = len(technician)
    source = np.arange(n)
    copied = np.zeros(n, bool)
    for person in np.unique(technician[copier]):
        own_bleeds = np.flatnonzero(technician == person)
        again = rng.random(len(own_bleeds)) < COPIED_SHARE
        again[:1] = False
        copied[own_bleeds] = again
        # consecutive copies all repeat the last original entry
        own = np.maximum.accumulate(np.where(again, 0, np.arange(len(own_bleeds))))
        source[own_bleeds] = own_bleeds[own]
    return source, copied
