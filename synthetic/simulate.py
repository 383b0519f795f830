"""A made log with its truth: the door's main function and what it returns."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from synthetic.attainable_risk import attainable_risk
from synthetic.course import History, history
from synthetic.gaps import without_unwritten
from synthetic.models import brake_table
from synthetic.procedure import PLACE
from synthetic.readings import step_readings
from synthetic.recording import Recording, recording
from synthetic.returns import comeback_rows
from synthetic.signs import shown_air_ml, signs
from synthetic.tables import (
    coaching_table,
    comebacks_table,
    passes_table,
    piston_pairs,
    sessions_table,
    technicians_table,
    with_wrong_fluids,
)
from synthetic.technicians import people
from synthetic.truth import truth_bleeds, truth_events, truth_steps, truth_technicians
from synthetic.workshop import Lesson, Workshop


@dataclass(frozen=True)
class SimulatedLog:
    """A simulated log in canonical frames, and the truth behind it.

    `sessions` … `brakes` are as in `schemas.log`. `truth_bleeds`: session_id, risk (of a re-bleed return within the
    window and before the brake's next planned bleed, as the bleed was done), air_ml, cause and return_days of a
    return by the as-of date at any age. `truth_steps`: step, preventable_per_100 (that risk, averaged over all
    bleeds, less what it would be had every recorded miss of the step been met), effect, recorded_missed.
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
    truth_bleeds: pl.DataFrame
    truth_steps: pl.DataFrame
    truth_technicians: pl.DataFrame
    truth_events: pl.DataFrame
    truth_planted: pl.DataFrame
    as_of: dt.date
    window_days: int


MONTHS_LOOKED_AT, FEWEST_LOOKED_AT = 3, 5
PLANTED_COLUMNS = {"kind": pl.String, "subject": pl.String, "month": pl.Int64, "description": pl.String}


def simulate(workshop: Workshop, seed: int) -> SimulatedLog:
    """One log of this workshop with its truth; the same seed gives the same log.

    Parameters
    ----------
    workshop
        The world's parameters; `workshop.sessions` bleeds are made (a few less where none fits).
    seed
        Any whole number of 0 or more.
    """
    workshop = with_pupils(workshop, seed)
    rng = np.random.default_rng(seed)
    past, recording, seen_ml = _simulate(workshop, rng)
    return _assemble(workshop, past, recording, seen_ml, rng)


def attainable_risks(workshop: Workshop, seed: int, session_ids: pl.Series) -> pl.DataFrame:
    """What the log `simulate(workshop, seed)` can tell of the risk of these bleeds at most: session_id, attainable_risk.

    The same seed gives the same figures.

    Parameters
    ----------
    workshop, seed
        As `simulate` had them.
    session_ids
        The log's own numbers of the bleeds asked for.

    Raises
    ------
    ValueError
        As `attainable_risk` does.
    """
    workshop = with_pupils(workshop, seed)
    rng = np.random.default_rng(seed)
    past, recording, _ = _simulate(workshop, rng)
    places = session_ids.str.slice(1).cast(pl.Int64).to_numpy() - 1
    risk = attainable_risk(workshop, past, recording, places, rng)
    return pl.DataFrame({"session_id": session_ids, "foreseeable_risk": risk})


def with_pupils(workshop: Workshop, seed: int) -> Workshop:
    """The workshop with a name in every lesson: where there was none, whoever had missed the step most just before.

    The months up to the lesson are made once without it and looked at as a lead would look at them.
    """
    open_lessons = [lesson for lesson in workshop.lessons if not lesson.technician]
    if not open_lessons:
        return workshop
    named = tuple(lesson for lesson in workshop.lessons if lesson.technician)
    past, written, _ = _simulate(replace(workshop, lessons=named), np.random.default_rng(seed))
    for lesson in open_lessons:
        named += (replace(lesson, technician=past.people.names[_worst(lesson, past, written)]),)
    return replace(workshop, lessons=named)


def _worst(lesson: Lesson, past: History, written: Recording) -> int:
    """The technician with the highest recorded share missed in the lesson's month and the two before it."""
    course, place = past.course, PLACE[lesson.step]
    recent = (course.jobs.month <= lesson.month) & (course.jobs.month > lesson.month - MONTHS_LOOKED_AT)
    rows = recent & written.honest[:, place]
    who, count = course.jobs.technician[rows], len(past.people.names)
    missed = np.bincount(who, weights=course.missed[rows, place], minlength=count)
    bleeds = np.bincount(who, minlength=count)
    return int(np.argmax(np.where(bleeds >= FEWEST_LOOKED_AT, missed / np.maximum(bleeds, 1), -1.0)))


def _simulate(workshop: Workshop, rng: np.random.Generator) -> tuple[History, Recording, np.ndarray]:
    """What happened, what was written of it, and the air the signs show."""
    technicians = people(workshop, rng)
    past = history(workshop, technicians, rng)
    seen_ml = shown_air_ml(workshop, past, rng)
    done = step_readings(past.course.missed, piston_pairs(past), seen_ml, rng)
    done |= signs(workshop, past, seen_ml, done, rng)
    done |= {"temp_c": past.course.jobs.temp_c, "hose_mm": past.fleet.hose_mm[past.course.jobs.brake]}
    return past, recording(workshop, past, done, rng), seen_ml


def _assemble(
    workshop: Workshop, past: History, recording: Recording, seen_ml: np.ndarray, rng: np.random.Generator
) -> SimulatedLog:
    fluids = with_wrong_fluids(workshop, past, rng)
    sessions = sessions_table(workshop, past, recording, fluids)
    comebacks = comebacks_table(past, comeback_rows(workshop, past.course, rng))
    sessions, comebacks = without_unwritten(workshop, sessions, comebacks)
    return SimulatedLog(
        sessions=sessions,
        comebacks=comebacks,
        passes=passes_table(workshop, sessions, rng),
        technicians=technicians_table(workshop, past.people, rng),
        coaching=coaching_table(workshop),
        brakes=brake_table(),
        truth_bleeds=truth_bleeds(past, seen_ml),
        truth_steps=truth_steps(workshop, past, recording),
        truth_technicians=truth_technicians(past.people),
        truth_events=truth_events(workshop, past, recording, fluids),
        truth_planted=pl.DataFrame(schema=PLANTED_COLUMNS),
        as_of=workshop.as_of,
        window_days=workshop.window_days,
    )
