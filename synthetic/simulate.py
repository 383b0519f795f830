"""Simulate a log with its true effects, and write it as files that need no map."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import polars as pl

from schemas.log import Actions
from synthetic.attainable_risk import attainable_risk
from synthetic.course import SimulatedHistory, history
from synthetic.models import brake_table
from synthetic.procedure import PLACE
from synthetic.readings import step_readings
from synthetic.recording import Recording, recording
from synthetic.returns import sample_returns
from synthetic.signs import shown_air_ml, signs
from synthetic.tables import (
    coaching_table,
    comebacks_table,
    passes_table,
    piston_pairs,
    remove_unrecorded_returns,
    sample_fluids,
    sessions_table,
    technicians_table,
)
from synthetic.technicians import sample_staff
from synthetic.truth import truth_bleeds, truth_events, truth_steps, truth_technicians
from synthetic.workshop import Lesson, Workshop


@dataclass(frozen=True)
class SimulatedLog:
    """A simulated log in canonical frames, and the truth behind it.

    `sessions` … `actions` are as in `schemas.log`. `truth_bleeds`: session_id, risk (of a comeback within the window and
    before the next planned bleed of the brake), air_ml, cause and return_days of any return in the log. `truth_steps`:
    step, preventable_per_100 (mean risk minus the mean risk if no recorded miss of the step had happened),
    direct_per_100 (the same with all other misses as they were), effect, recorded_missed.
    `truth_technicians`: technician, effect (log hazard ratio beyond the recorded steps), recorder. `truth_events`:
    kind, subject, month, date, detail. `truth_planted`: kind, subject, month, description (rows in
    the co-operative only).
    """

    sessions: pl.DataFrame
    comebacks: pl.DataFrame
    passes: pl.DataFrame
    technicians: pl.DataFrame
    coaching: pl.DataFrame
    brakes: pl.DataFrame
    actions: pl.DataFrame
    truth_bleeds: pl.DataFrame
    truth_steps: pl.DataFrame
    truth_technicians: pl.DataFrame
    truth_events: pl.DataFrame
    truth_planted: pl.DataFrame
    as_of: dt.date
    window_days: int


REVIEW_MONTHS, MIN_REVIEWED = 3, 5
"""Months and bleeds of a technician that a lead looks at before coaching."""
PLANTED_COLUMNS = {"kind": pl.String, "subject": pl.String, "month": pl.Int64, "description": pl.String}


def simulate(workshop: Workshop, seed: int) -> SimulatedLog:
    """Simulate the log of a workshop; the same seed gives the same log.

    Parameters
    ----------
    workshop
        Its parameters; the log has `workshop.sessions` bleeds, or slightly fewer.
    seed
        A whole number, 0 or more.
    """
    workshop = name_lesson_technicians(workshop, seed)
    rng = np.random.default_rng(seed)
    past, recording, seen_ml = _simulate_events(workshop, rng)
    return _assemble_log(workshop, past, recording, seen_ml, rng)


def attainable_risks(workshop: Workshop, seed: int, session_ids: pl.Series) -> pl.DataFrame:
    """Best attainable risk of bleeds of the log `simulate(workshop, seed)`: session_id, foreseeable_risk.

    The same seed gives the same risks.

    Parameters
    ----------
    workshop, seed
        The arguments of `simulate`.
    session_ids
        IDs of the bleeds.

    Raises
    ------
    ValueError
        As `attainable_risk` does.
    """
    workshop = name_lesson_technicians(workshop, seed)
    rng = np.random.default_rng(seed)
    past, recording, _ = _simulate_events(workshop, rng)
    places = session_ids.str.slice(1).cast(pl.Int64).to_numpy() - 1
    risk = attainable_risk(workshop, past, recording, places, rng)
    return pl.DataFrame({"session_id": session_ids, "foreseeable_risk": risk})


def name_lesson_technicians(workshop: Workshop, seed: int) -> Workshop:
    """Name the technician of every lesson: if none is given, the one who missed the step most just before.

    The log is first simulated without the lesson and reviewed as a lead would review it.
    """
    open_lessons = [lesson for lesson in workshop.lessons if not lesson.technician]
    if not open_lessons:
        return workshop
    lessons = tuple(lesson for lesson in workshop.lessons if lesson.technician)
    past, recording, _ = _simulate_events(replace(workshop, lessons=lessons), np.random.default_rng(seed))
    for lesson in open_lessons:
        lessons += (replace(lesson, technician=past.people.names[_worst_technician(lesson, past, recording)]),)
    return replace(workshop, lessons=lessons)


def _worst_technician(lesson: Lesson, past: SimulatedHistory, recording: Recording) -> int:
    """The technician with the highest recorded share missed in the lesson's month and the two before it."""
    course, place = past.course, PLACE[lesson.step]
    recent = (course.jobs.month <= lesson.month) & (course.jobs.month > lesson.month - REVIEW_MONTHS)
    rows = recent & recording.honest[:, place]
    who, count = course.jobs.technician[rows], len(past.people.names)
    missed = np.bincount(who, weights=course.missed[rows, place], minlength=count)
    bleeds = np.bincount(who, minlength=count)
    return int(np.argmax(np.where(bleeds >= MIN_REVIEWED, missed / np.maximum(bleeds, 1), -1.0)))


def _simulate_events(workshop: Workshop, rng: np.random.Generator) -> tuple[SimulatedHistory, Recording, np.ndarray]:
    """What happened, what was recorded, and the air that the signs show."""
    technicians = sample_staff(workshop, rng)
    past = history(workshop, technicians, rng)
    seen_ml = shown_air_ml(workshop, past, rng)
    done = step_readings(past.course.missed, piston_pairs(past), seen_ml, rng)
    done |= signs(workshop, past, seen_ml, done, rng)
    done |= {"temp_c": past.course.jobs.temp_c, "hose_mm": past.fleet.hose_mm[past.course.jobs.brake]}
    return past, recording(workshop, past, done, rng), seen_ml


def _assemble_log(
    workshop: Workshop, past: SimulatedHistory, recording: Recording, seen_ml: np.ndarray, rng: np.random.Generator
) -> SimulatedLog:
    fluids = sample_fluids(workshop, past, rng)
    sessions = sessions_table(workshop, past, recording, fluids)
    comebacks = comebacks_table(past, sample_returns(workshop, past.course, rng))
    sessions, comebacks = remove_unrecorded_returns(workshop, sessions, comebacks)
    return SimulatedLog(
        sessions=sessions,
        comebacks=comebacks,
        passes=passes_table(workshop, sessions, rng),
        technicians=technicians_table(workshop, past.people, rng),
        coaching=coaching_table(workshop),
        brakes=brake_table(),
        actions=pl.DataFrame(schema={name: c.dtype.type for name, c in Actions.to_schema().columns.items()}),
        truth_bleeds=truth_bleeds(past, seen_ml),
        truth_steps=truth_steps(workshop, past, recording),
        truth_technicians=truth_technicians(past.people),
        truth_events=truth_events(workshop, past, recording, fluids),
        truth_planted=pl.DataFrame(schema=PLANTED_COLUMNS),
        as_of=workshop.as_of,
        window_days=workshop.window_days,
    )


OPTIONAL_TABLES = ("passes", "technicians", "coaching", "brakes", "actions")
TRUTH_TABLES = ("bleeds", "steps", "technicians", "events", "planted")


def write_simulation(log: SimulatedLog, folder: Path | str) -> None:
    """Write `sessions.csv`, `comebacks.csv` and `truth/*.csv` into `folder`, which is created if needed.

    The optional tables (passes, technicians, coaching, brakes, actions) are written if they have rows.
    """
    folder = Path(folder)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    _write_csv(log.sessions, folder / "sessions.csv")
    _write_csv(log.comebacks, folder / "comebacks.csv")
    for name in OPTIONAL_TABLES:
        table: pl.DataFrame = getattr(log, name)
        if table.height:
            _write_csv(table, folder / f"{name}.csv")
    for name in TRUTH_TABLES:
        _write_csv(getattr(log, f"truth_{name}"), folder / "truth" / f"{name}.csv")


def _write_csv(table: pl.DataFrame, path: Path) -> None:
    with path.open("wb") as file:  # polars cannot open a path that is not valid UTF-8
        table.write_csv(file, datetime_format="%Y-%m-%dT%H:%M:%S")
