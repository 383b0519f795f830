"""The best attainable risk: the mean true risk of a bleed given everything that its log records.

The true risk depends on unrecorded luck. It is averaged over that luck by importance sampling, with all parameters of the
workshop known: the unrecorded quantities are sampled, and each sample is weighted by the likelihood of the recorded signs
and steps. Steps recorded by a copier are treated as not recorded.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from synthetic.course import SimulatedHistory, outcome_module
from synthetic.fleet import FloatArray
from synthetic.missed_steps import Missed, sample_miss_chances
from synthetic.models import MODELS
from synthetic.procedure import PLACE, STEPS
from synthetic.readings import LAST_BUBBLES
from synthetic.recording import COARSE, LEFT_OUT_BY_CHOICE, Recording
from synthetic.response import MAX_BUBBLES, expected_bubbles, first_air_ml
from synthetic.signs import LEAK_SEEN, LEAK_STEPS, PUMP_NOISE, PUMPED_AWAY, READ_TO_MM, RELEASED_SOFT, soft_lever_chance
from synthetic.workshop import Workshop

DRAWS = 512
"""Samples per bleed."""
ROWS_AT_ONCE = 256
TINY = 1e-300


@dataclass(frozen=True)
class _SampledHistories:
    """Sampled histories: `DRAWS` rows per bleed."""

    missed: Missed
    first_ml: FloatArray
    seen_ml: FloatArray
    risk: FloatArray


def attainable_risk(
    workshop: Workshop, past: SimulatedHistory, recording: Recording, rows: NDArray[np.intp], rng: np.random.Generator
) -> FloatArray:
    """Mean true risk of each bleed of `rows` given its recorded entries.

    Each bleed is treated on its own: other bleeds of its bike or technician are not used.

    Parameters
    ----------
    workshop
        The workshop; `signs_informative` must be 0 or 1, and nothing seen may steer the work.
    past, recording
        What happened and what was recorded.
    rows
        Row numbers of the bleeds.
    rng
        Random generator of the samples.

    Raises
    ------
    ValueError
        `signs_informative` is neither 0 nor 1, or `skips` or `stops` is not 0.
    """
    if workshop.skips or workshop.stops:
        raise ValueError("Workshop.skips and stops: 0, as the chance of a miss must not depend on what is seen")
    if workshop.signs_informative not in (0.0, 1.0):
        raise ValueError(f"Workshop.signs_informative: 0 or 1, got {workshop.signs_informative}")
    risks = np.empty(len(rows))
    for start in range(0, len(rows), ROWS_AT_ONCE):
        batch = rows[start : start + ROWS_AT_ONCE]
        risks[start : start + ROWS_AT_ONCE] = _attainable_risk_of_batch(workshop, past, recording, batch, rng)
    return risks


def _attainable_risk_of_batch(
    workshop: Workshop, past: SimulatedHistory, recording: Recording, rows: NDArray[np.intp], rng: np.random.Generator
) -> FloatArray:
    every = np.repeat(rows, DRAWS)
    missed, log_weight = _sample_missed_steps(workshop, past, recording, every, rng)
    draws = _sample_histories(workshop, past, every, missed, rng)
    log_weight += _leak_log_likelihood(recording, every, missed)
    if workshop.signs_informative:
        log_weight += _sign_log_likelihood(workshop, past, recording, every, draws)
    log_weight = log_weight.reshape(len(rows), DRAWS)
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return np.asarray((weight * draws.risk.reshape(len(rows), DRAWS)).sum(axis=1) / weight.sum(axis=1))


def _sample_missed_steps(
    workshop: Workshop, past: SimulatedHistory, recording: Recording, every: NDArray[np.intp], rng: np.random.Generator
) -> tuple[Missed, FloatArray]:
    """Missed steps (recorded, or sampled if not) and the log-likelihood of what was and was not recorded."""
    course, recorded = past.course, recording.recorded
    jobs = course.jobs.of(every)
    chance = sample_miss_chances(workshop, jobs, past.people, past.fleet.shop[jobs.brake], rng)
    recorder = past.people.recorder[jobs.technician][:, None]
    # misses are left out more often, so they are more common among unrecorded steps
    left_out = workshop.missing_random + np.where(
        recorder == "selective", LEFT_OUT_BY_CHOICE, workshop.missing_selective
    )
    hidden_miss, hidden_met = chance * np.minimum(left_out, 1.0), (1 - chance) * workshop.missing_random
    hidden = np.maximum(hidden_miss + hidden_met, TINY)
    copier = recorder == "copier"
    sampled = rng.random(chance.shape) < np.where(copier, chance, hidden_miss / hidden)
    true_misses = course.missed[every]
    is_recorded = np.column_stack([recorded[step.fields[0]][every] for step in STEPS]) & ~copier
    likelihood = np.where(true_misses, chance - hidden_miss, 1 - chance - hidden_met)
    evidence = np.where(copier, 1.0, np.where(is_recorded, np.maximum(likelihood, TINY), hidden))
    return np.where(is_recorded, true_misses, sampled), np.log(evidence).sum(axis=1)


def _sample_histories(
    workshop: Workshop, past: SimulatedHistory, every: NDArray[np.intp], missed: Missed, rng: np.random.Generator
) -> _SampledHistories:
    course, brake = past.course, past.course.jobs.brake[every]
    proneness = past.fleet.proneness[brake]
    new_proneness = workshop.bike_sd * rng.standard_normal(len(every))
    circumstances = course.circumstances.of(every)
    circumstances = replace(
        circumstances,
        burden=circumstances.burden - proneness + new_proneness,
        luck=rng.standard_normal(circumstances.luck.shape),
    )
    mech = outcome_module(workshop)
    risk = mech.hazard(workshop, past.scale, missed, circumstances).risk(_sample_days_to_next_bleed(past, every, rng))
    first_ml = first_air_ml(mech, workshop, missed, circumstances)
    return _SampledHistories(missed, first_ml, mech.seen_air_ml(workshop, missed, circumstances), risk)


def _sample_days_to_next_bleed(past: SimulatedHistory, every: NDArray[np.intp], rng: np.random.Generator) -> FloatArray:
    """Sample the days to the next bleed from bleeds of the same kind (planned or repair)."""
    course = past.course
    days = np.empty(len(every))
    repair = course.repairs >= 0
    for kind in (False, True):
        same_kind = repair[every] == kind
        if same_kind.any():
            days[same_kind] = rng.choice(course.horizon_days[repair == kind], int(same_kind.sum()))
    return days


def _leak_log_likelihood(recording: Recording, every: NDArray[np.intp], missed: Missed) -> FloatArray:
    leaking = missed[:, [PLACE[step] for step in LEAK_STEPS]].any(axis=1)
    chance = np.where(leaking, *LEAK_SEEN)
    leak_seen = recording.columns["leak_seen"][every].astype(bool)
    log_likelihood = np.log(np.where(leak_seen, chance, 1 - chance))
    return np.where(recording.recorded["leak_seen"][every], log_likelihood, 0.0)


def _sign_log_likelihood(
    workshop: Workshop, past: SimulatedHistory, recording: Recording, every: NDArray[np.intp], draws: _SampledHistories
) -> FloatArray:
    """Log-likelihood of the recorded bubbles, lever travel, pump-up and hard pull."""
    from scipy import special

    recorders = past.people.recorder[past.course.jobs.technician[every]]
    air, model = draws.seen_ml, past.fleet.model[past.course.jobs.brake[every]]
    excess = air * np.array([m.travel_mm_per_ml for m in MODELS])[model]
    travel = np.array([m.travel_reference_mm for m in MODELS])[model] + excess
    for step, millimetres in workshop.artefacts_mm:
        travel = travel + millimetres * draws.missed[:, PLACE[step]]

    def if_recorded(name: str, log_likelihood: FloatArray) -> FloatArray:
        return np.where(recording.recorded[name][every], log_likelihood, 0.0)

    def reading_likelihood(name: str, expected: FloatArray, noise_mm: float) -> FloatArray:
        half = np.where(recorders == "rounder", COARSE[name], READ_TO_MM) / 2
        off = recording.columns[name][every] - expected
        upper_share = np.where(at_reach & (name == "lever_travel_after_mm"), 1.0, special.ndtr((off + half) / noise_mm))
        within = upper_share - special.ndtr((off - half) / noise_mm)
        return if_recorded(name, np.log(np.maximum(within, TINY)))

    def count_likelihood(name: str, bubbles: NDArray, expected: FloatArray) -> FloatArray:
        counted = special.xlogy(bubbles, expected) - expected
        further = np.log(np.maximum(special.pdtrc(MAX_BUBBLES - 1, expected), TINY))
        return if_recorded(name, np.where(bubbles >= MAX_BUBBLES, further, counted))

    at_reach = (recording.columns["lever_travel_after_mm"] >= recording.columns["lever_reach_mm"])[every]
    last = recording.columns["bubbles_last"][every]
    ended = (last > 0) & (recorders != "copier")
    soft, firm = RELEASED_SOFT * soft_lever_chance(air), recording.columns["hard_pull_firm"][every].astype(bool)
    noise_mm = workshop.travel_noise_mm
    return (
        count_likelihood("bubbles_first", recording.columns["bubbles_first"][every], expected_bubbles(draws.first_ml))
        + ended * count_likelihood("bubbles_last", np.maximum(last - 1, 0), LAST_BUBBLES.expected(air))
        + reading_likelihood("lever_travel_after_mm", travel, noise_mm)
        + reading_likelihood("pump_gain_mm", PUMPED_AWAY * excess, PUMP_NOISE * noise_mm)
        + if_recorded("hard_pull_firm", np.log(np.where(firm, 1 - soft, soft)))
    )
