"""How it was written down: entries left out by chance or by choice, copied from the bleed before, or rounded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.course import History
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
    """The entries as written, one array a field with `recorded` beside it (false: left empty), and for each bleed
    and step whether the log tells a miss (`honest`), which is not always what was done; `copied` marks copied rows."""

    columns: Columns
    recorded: dict[str, NDArray[np.bool_]]
    honest: NDArray[np.bool_]
    copied: NDArray[np.bool_]


def recording(workshop: Workshop, history: History, columns: Columns, rng: np.random.Generator) -> Recording:
    """The log's entries out of what really was."""
    course, recorder = history.course, history.people.recorder[history.course.jobs.technician]
    columns = dict(columns)
    source, copied = _copies(course.jobs.technician, recorder == "copier", rng)
    for step in STEPS:
        for field in step.fields:
            columns[field] = columns[field][source]
    status = course.missed[source]
    # blocks copied from a brake with fewer pistons are too few here
    pairs = history.fleet.piston_pairs[course.jobs.brake]
    status[:, PLACE["blocks"]] = columns["blocks_fitted"] < pairs
    for field, unit in COARSE.items():
        rounded = np.round(columns[field] / unit) * unit
        columns[field] = np.where(recorder == "rounder", rounded, columns[field])
    recorded: dict[str, NDArray[np.bool_]] = {}
    honest = np.zeros_like(status)
    for place, step in enumerate(STEPS):
        kept = _written_down(workshop, status[:, place], recorder == "selective", rng)
        recorded |= dict.fromkeys(step.fields, kept)
        honest[:, place] = status[:, place] & kept
    n = len(copied)
    recorded |= {field: rng.random(n) >= workshop.context_missing for field in CONTEXT}
    recorded |= {field: rng.random(n) >= workshop.signs_missing for field in SIGNS}
    return Recording(columns, recorded, honest, copied)


def _written_down(
    workshop: Workshop, missed: NDArray[np.bool_], choosy: NDArray[np.bool_], rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Where a step was written down at all: chance takes some, embarrassment takes misses."""
    left_out = workshop.missing_random + missed * np.where(choosy, LEFT_OUT_BY_CHOICE, workshop.missing_selective)
    return np.asarray(rng.random(len(missed)) >= left_out)


def _copies(
    technician: NDArray[np.intp], copier: NDArray[np.bool_], rng: np.random.Generator
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """For each bleed the bleed its entries come from: its own, or for a copier often the one before."""
    n = len(technician)
    source = np.arange(n)
    copied = np.zeros(n, bool)
    for person in np.unique(technician[copier]):
        own_bleeds = np.flatnonzero(technician == person)
        again = rng.random(len(own_bleeds)) < COPIED_SHARE
        again[:1] = False
        copied[own_bleeds] = again
        # a run of copies all repeat the last entry that was the bleed's own
        own = np.maximum.accumulate(np.where(again, 0, np.arange(len(own_bleeds))))
        source[own_bleeds] = own_bleeds[own]
    return source, copied
