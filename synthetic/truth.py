"""The true risks, effects of steps, skills and events behind a simulated log."""

from __future__ import annotations

import numpy as np
import polars as pl

from synthetic.course import SimulatedHistory, outcome_module
from synthetic.fleet import FloatArray
from synthetic.procedure import STEPS
from synthetic.recording import Recording
from synthetic.response import adapt_misses_to_bubbles
from synthetic.tables import Fluids, month_end, month_start, session_ids
from synthetic.technicians import Staff
from synthetic.workshop import Workshop

EVENT_COLUMNS = {
    "kind": pl.String,
    "subject": pl.String,
    "month": pl.Int64,
    "date": pl.Date,
    "detail": pl.String,
}


def truth_bleeds(past: SimulatedHistory, seen_ml: FloatArray) -> pl.DataFrame:
    """session_id, risk, air_ml (as signs show it), cause and return_days (empty without a return in the log)."""
    course = past.course
    returned = pl.Series(course.return_day >= 0)
    return pl.DataFrame(
        {"session_id": session_ids(np.arange(course.jobs.count)), "risk": course.risk, "air_ml": seen_ml}
    ).with_columns(
        pl.when(returned).then(pl.Series(course.cause.tolist())).alias("cause"),
        pl.when(returned).then(pl.Series(course.return_day)).alias("return_days"),
    )


def truth_steps(workshop: Workshop, past: SimulatedHistory, recording: Recording) -> pl.DataFrame:
    """Comebacks prevented per 100 bleeds by step, if no recorded miss had happened.

    `preventable_per_100` lets later work respond to what is seen, `direct_per_100` keeps all other misses as they were.
    """
    course = past.course
    rows = []
    for place, (step, effect) in enumerate(zip(STEPS, workshop.step_effects, strict=True)):
        missed = np.flatnonzero(recording.honest[:, place] & course.missed[:, place])
        direct = _true_prevented(workshop, past, missed, place, respond=False) if effect else 0.0
        total = _true_prevented(workshop, past, missed, place, respond=True) if effect else 0.0
        rows.append((step.id, total, direct, effect, int(recording.honest[:, place].sum())))
    names = ["step", "preventable_per_100", "direct_per_100", "effect", "recorded_missed"]
    return pl.DataFrame(rows, schema=names, orient="row").with_columns(
        pl.col("preventable_per_100").rank("min", descending=True).cast(pl.Int64).alias("rank")
    )


def truth_technicians(technicians: Staff) -> pl.DataFrame:
    return pl.DataFrame(
        {"technician": technicians.names, "effect": technicians.skill, "recorder": technicians.recorder.tolist()}
    ).sort("technician")


def truth_events(workshop: Workshop, past: SimulatedHistory, recording: Recording, fluids: Fluids) -> pl.DataFrame:
    """Events: changes, coaching, unreliable recorders, copied bleeds, wrong fluids and kits."""
    events: list[tuple] = []
    for change in workshop.changes:
        kind = f"change of {change.step}" if change.step else "change of hazard"
        when = month_start(workshop, change.month)
        events.append((kind, change.shop or "all", change.month, when, f"{change.shift:+g}"))
    for gap in workshop.returns_written:
        until = str(month_end(workshop, gap.last_month)) if gap.last_month else "the end"
        events.append(("returns written", gap.shop, gap.first_month, month_start(workshop, gap.first_month), until))
    for lesson in workshop.lessons:
        worked = "improved" if lesson.shift < 0 else "did not improve"
        events.append(
            ("coaching", lesson.technician, lesson.month, month_end(workshop, lesson.month), f"{lesson.step}: {worked}")
        )
    for name, recorder in zip(past.people.names, past.people.recorder, strict=True):
        if recorder != "honest":
            events.append(("recorder", name, None, None, str(recorder)))
    if workshop.wearing_model:
        events.append(("wear-out", workshop.wearing_model, None, None, f"seals, shape {workshop.wear_shape:g}"))
    ids = session_ids(np.arange(past.course.jobs.count))
    masks = (
        ("copied entries", recording.copied),
        ("wrong fluid", fluids.used != fluids.required),
        ("kit of other kind", fluids.kit != fluids.required),
    )
    for kind, mask in masks:
        events += [(kind, name, None, None, "") for name in ids.filter(pl.Series(mask))]
    return pl.DataFrame(events, schema=EVENT_COLUMNS, orient="row")


def _true_prevented(
    workshop: Workshop, past: SimulatedHistory, rows: np.ndarray, place: int, *, respond: bool
) -> float:
    """Comebacks prevented per 100 bleeds, had these bleeds met the step; later work responds to what is seen."""
    course, mech = past.course, outcome_module(workshop)
    missed, circumstances = course.missed[rows].copy(), course.circumstances.of(rows)
    missed[:, place] = False
    if respond:
        missed = adapt_misses_to_bubbles(mech, workshop, missed, circumstances, fixed=(STEPS[place].id,))
    lower_risk = mech.hazard(workshop, past.scale, missed, circumstances).risk(course.horizon_days[rows])
    return float((course.risk[rows] - lower_risk).sum()) * 100 / course.jobs.count
