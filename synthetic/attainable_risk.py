"""The risk as far as a log can tell it: what no reader of the log can better, whatever they do with it.

A bleed's true risk holds luck that nobody sees. Here it is averaged over that luck, given every entry the log holds of
the bleed and the world's own parameters (hands, work, months and effects known): by drawing what is hidden from what it
may be and weighing each draw by how well it explains the signs and ticks that were written (importance sampling).
What a copier writes of the steps is taken as unwritten.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from synthetic.course import History, mechanics
from synthetic.fleet import FloatArray
from synthetic.missed_steps import Missed, missed_chance
from synthetic.models import MODELS
from synthetic.procedure import PLACE, STEPS
from synthetic.readings import FIRST_BUBBLES, LAST_BUBBLES
from synthetic.recording import COARSE, LEFT_OUT_BY_CHOICE, Recording
from synthetic.signs import LEAK_SEEN, LEAK_STEPS, PUMP_NOISE, PUMPED_AWAY, READ_TO_MM, RELEASED_SOFT, softness
from synthetic.workshop import Workshop

DRAWS = 512
ROWS_AT_ONCE = 256
TINY = 1e-300


@dataclass(frozen=True)
class _Draws:
    """What may have happened: every bleed `DRAWS` times, one row a draw."""

    missed: Missed
    seen_ml: FloatArray
    risk: FloatArray


def attainable_risk(
    workshop: Workshop, past: History, recording: Recording, rows: NDArray[np.intp], rng: np.random.Generator
) -> FloatArray:
    """The mean of each bleed's true risk over what its entries leave open, one a row of `rows`.

    Bleeds of one bike are weighed apart, and what a technician did on other bleeds tells nothing more of this one.

    Parameters
    ----------
    workshop
        The world; its signs show either their own bleed's air or nothing.
    past, recording
        What happened and what was written of it.
    rows
        Places of the bleeds asked for.
    rng
        For the draws.

    Raises
    ------
    ValueError
        If the signs show some bleeds' own air and not that of others.
    """
    if workshop.signs_informative not in (0.0, 1.0):
        raise ValueError(f"Workshop.signs_informative: 0 or 1, got {workshop.signs_informative}")
    risks = np.empty(len(rows))
    for start in range(0, len(rows), ROWS_AT_ONCE):
        some = rows[start : start + ROWS_AT_ONCE]
        risks[start : start + ROWS_AT_ONCE] = _batch(workshop, past, recording, some, rng)
    return risks


def _batch(
    workshop: Workshop, past: History, recording: Recording, rows: NDArray[np.intp], rng: np.random.Generator
) -> FloatArray:
    every = np.repeat(rows, DRAWS)
    missed, log_weight = _steps(workshop, past, recording, every, rng)
    draws = _draws(workshop, past, every, missed, rng)
    log_weight += _leaks(recording, every, missed)
    if workshop.signs_informative:
        log_weight += _signs(workshop, past, recording, every, draws)
    log_weight = log_weight.reshape(len(rows), DRAWS)
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return np.asarray((weight * draws.risk.reshape(len(rows), DRAWS)).sum(axis=1) / weight.sum(axis=1))


def _steps(
    workshop: Workshop, past: History, recording: Recording, every: NDArray[np.intp], rng: np.random.Generator
) -> tuple[Missed, FloatArray]:
    """Steps as written, the others drawn; and how well the hurry drawn explains what was and was not written."""
    course, recorded = past.course, recording.recorded
    jobs = course.jobs.of(every)
    chance = missed_chance(workshop, jobs, past.people, past.fleet.shop[jobs.brake], rng)
    recorder = past.people.recorder[jobs.technician][:, None]
    # a miss is left out more often: among what is not written there are more of them
    left_out = workshop.missing_random + np.where(
        recorder == "selective", LEFT_OUT_BY_CHOICE, workshop.missing_selective
    )
    hidden_miss, hidden_met = chance * np.minimum(left_out, 1.0), (1 - chance) * workshop.missing_random
    hidden = np.maximum(hidden_miss + hidden_met, TINY)
    copier = recorder == "copier"
    anyway = rng.random(chance.shape) < np.where(copier, chance, hidden_miss / hidden)
    truly = course.missed[every]
    known = np.column_stack([recorded[step.fields[0]][every] for step in STEPS]) & ~copier
    likelihood = np.where(truly, chance - hidden_miss, 1 - chance - hidden_met)
    evidence = np.where(copier, 1.0, np.where(known, np.maximum(likelihood, TINY), hidden))
    return np.where(known, truly, anyway), np.log(evidence).sum(axis=1)


def _draws(
    workshop: Workshop, past: History, every: NDArray[np.intp], missed: Missed, rng: np.random.Generator
) -> _Draws:
    course, brake = past.course, past.course.jobs.brake[every]
    proneness = past.fleet.proneness[brake]
    anew = workshop.bike_sd * rng.standard_normal(len(every))
    circumstances = course.circumstances.of(every)
    circumstances = replace(
        circumstances,
        burden=circumstances.burden - proneness + anew,
        luck=rng.standard_normal(circumstances.luck.shape),
    )
    mech = mechanics(workshop)
    risk = mech.hazard(workshop, past.scale, missed, circumstances).risk(_horizon(past, every, rng))
    return _Draws(missed, mech.seen_air_ml(workshop, missed, circumstances), risk)


def _horizon(past: History, every: NDArray[np.intp], rng: np.random.Generator) -> FloatArray:
    """The brake's next bleed is not known: any horizon of a bleed of its kind (planned, or a repair)."""
    course = past.course
    days = np.empty(len(every))
    repair = course.repairs >= 0
    for kind in (False, True):
        same_kind = repair[every] == kind
        if same_kind.any():
            days[same_kind] = rng.choice(course.horizon_days[repair == kind], int(same_kind.sum()))
    return days


def _leaks(recording: Recording, every: NDArray[np.intp], missed: Missed) -> FloatArray:
    leaking = missed[:, [PLACE[step] for step in LEAK_STEPS]].any(axis=1)
    chance = np.where(leaking, *LEAK_SEEN)
    leak_seen = recording.columns["leak_seen"][every].astype(bool)
    log_likelihood = np.log(np.where(leak_seen, chance, 1 - chance))
    return np.where(recording.recorded["leak_seen"][every], log_likelihood, 0.0)


def _signs(
    workshop: Workshop, past: History, recording: Recording, every: NDArray[np.intp], draws: _Draws
) -> FloatArray:
    """How well a draw explains the bubbles, the travel, the pump gain and the hard pull."""
    from scipy import special

    recorders = past.people.recorder[past.course.jobs.technician[every]]
    air, model = draws.seen_ml, past.fleet.model[past.course.jobs.brake[every]]
    excess = air * np.array([m.travel_mm_per_ml for m in MODELS])[model]
    travel = np.array([m.travel_reference_mm for m in MODELS])[model] + excess
    for step, millimetres in workshop.artefacts_mm:
        travel = travel + millimetres * draws.missed[:, PLACE[step]]

    def where_written(name: str, log_likelihood: FloatArray) -> FloatArray:
        return np.where(recording.recorded[name][every], log_likelihood, 0.0)

    def reading_likelihood(name: str, expected: FloatArray, noise_mm: float) -> FloatArray:
        half = np.where(recorders == "rounder", COARSE[name], READ_TO_MM) / 2
        off = recording.columns[name][every] - expected
        within = special.ndtr((off + half) / noise_mm) - special.ndtr((off - half) / noise_mm)
        return where_written(name, np.log(np.maximum(within, TINY)))

    def count_likelihood(name: str, bubbles: NDArray, expected: FloatArray) -> FloatArray:
        return where_written(name, special.xlogy(bubbles, expected) - expected)

    last = recording.columns["bubbles_last"][every]
    ended = (last > 0) & (recorders != "copier")
    soft, firm = RELEASED_SOFT * softness(air), recording.columns["hard_pull_firm"][every].astype(bool)
    noise_mm = workshop.travel_noise_mm
    return (
        count_likelihood("bubbles_first", recording.columns["bubbles_first"][every], FIRST_BUBBLES.expected(air))
        + ended * count_likelihood("bubbles_last", np.maximum(last - 1, 0), LAST_BUBBLES.expected(air))
        + reading_likelihood("lever_travel_after_mm", travel, noise_mm)
        + reading_likelihood("pump_gain_mm", PUMPED_AWAY * excess, PUMP_NOISE * noise_mm)
        + where_written("hard_pull_firm", np.log(np.where(firm, 1 - soft, soft)))
    )
