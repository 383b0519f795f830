"""How the air and its readings are learnt: from every bleed, without its outcome, by expectation and maximisation.

Source: A. P. Dempster, N. M. Laird & D. B. Rubin 1977, J. R. Stat. Soc. B 39:1-38. Every bleed shows its readings at once,
so that a step's effect on air is known long before enough brakes have come back.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.risk.air import READINGS, Air, Answers, Belief, believed, readings_of
from analysis.risk.cells import Cells
from analysis.risk.columns import TAIL, frozen
from analysis.risk.features import BleedFeatures
from analysis.risk.layout import work_columns

Numbers = NDArray[np.float64]
MOST_LEARNT_FROM = 4_000
"""Bleeds, spread over the log: from them the readings' answers and what the work leads to expect are known well enough."""
ROUNDS, SWEEPS = 10, 3
"""Rounds of all, and in each of them sweeps that part counts; what further rounds move (where a reading's own level ends
and the air's part begins) tells bleeds no better apart."""
RIDGE = 3.0
LEAST_SHOWN = 20
FIRST_VARIANCE, LEAST_VARIANCE = 0.5, 0.005
LEAST_NOISE, LEAST_DISPERSION = 1e-3, 0.5


def air_of(features: BleedFeatures) -> Air:
    """The air of these bleeds as far as the work and the readings tell it; where no reading tells, all have the same.

    Parameters
    ----------
    features
        Of the bleeds to learn from.
    """
    cells = features.cells
    if cells.height > MOST_LEARNT_FROM:
        cells = Cells(cells.table[np.linspace(0, cells.height - 1, MOST_LEARNT_FROM).astype(np.intp)])
    inputs = frozen(work_columns(features), cells)
    x = inputs.matrix(cells)
    readings = _usual(readings_of(cells))
    air = Air(inputs, np.zeros(x.shape[1]), 0.0, FIRST_VARIANCE, _first_answers(readings))
    held = x.T @ x + RIDGE * np.eye(x.shape[1])
    for _ in range(ROUNDS):
        air = _round(air, x, held, readings)
    told = air.told(air.expected(x), readings)
    spread = float(told.std())
    return replace(air, centre=float(told.mean()), scale=spread if spread > 0 else 1.0)


def _round(air: Air, x: Numbers, held: Numbers, readings: Numbers) -> Air:
    """What the work leads to expect, how far the air lies around it, and the readings' answers, each given the others."""
    belief = believed(air.expected(x), air.variance, air.answers, readings)
    mean = belief.mean(belief.log_air)
    start = float(mean.mean())
    moved = replace(
        air,
        start=start,
        coefficients=np.asarray(np.linalg.solve(held, x.T @ (mean - start)), dtype=float),
        answers=_answers(air.answers, belief),
    )
    around = belief.mean((belief.log_air - moved.expected(x)) ** 2)
    return replace(moved, variance=max(float(around.mean()), LEAST_VARIANCE))


def _usual(readings: Numbers) -> Numbers:
    """The readings with the few that lie far from all others brought nearer; NaN where too few, or all alike, are shown."""
    told = np.full_like(readings, np.nan)
    for place, reading in enumerate(readings):
        shown = reading[np.isfinite(reading)]
        if len(shown) >= LEAST_SHOWN:
            usual = np.clip(reading, *np.quantile(shown, (TAIL, 1 - TAIL)))
            if np.nanmean(usual) > 0 and np.nanvar(usual) > 0:
                told[place] = usual
    return told


def _first_answers(readings: Numbers) -> Answers:
    """Readings thought to rise in proportion to air, most of what they show due to it."""
    told = np.full((3, len(READINGS)), np.nan)
    for place, reading in enumerate(READINGS):
        shown = readings[place][np.isfinite(readings[place])]
        if len(shown):
            level, variance = float(shown.mean()), float(shown.var())
            told[:, place] = (0.4 * level, 0.5 * level, 1.0) if reading.counted else (0.0, 0.8 * level, 0.3 * variance)
    return Answers(*told)


def _answers(answers: Answers, belief: Belief) -> Answers:
    """The readings' answers to the air as it is believed."""
    told = np.stack([answers.anyway, answers.per_air, answers.noise])
    for place, one in belief.shown.items():
        known = one.worth > 0
        own = _counted if READINGS[place].counted else _measured
        told[:, place] = own(told[:, place], belief.of(known), one.reading[known])
    return replace(answers, anyway=told[0], per_air=told[1], noise=told[2])


def _measured(_: Numbers, belief: Belief, reading: Numbers) -> tuple[float, float, float]:
    """A straight line by least squares, the air averaged over."""
    air = np.exp(belief.log_air)
    mean, square = belief.mean(air), belief.mean(air**2)
    spread = float((square - mean.mean() ** 2).mean())
    per_air = max(float(((reading - reading.mean()) * mean).mean()) / spread, 0.0)
    anyway = float(reading.mean() - per_air * mean.mean())
    around = (reading - anyway - per_air * mean) ** 2 + per_air**2 * (square - mean**2)
    return anyway, per_air, max(float(around.mean()), LEAST_NOISE)


def _counted(now: Numbers, belief: Belief, reading: Numbers) -> tuple[float, float, float]:
    """Each count parted into what comes anyway and what the air brings, as the two are expected now."""
    anyway, per_air = float(now[0]), float(now[1])
    air = np.exp(belief.log_air)
    for _ in range(SWEEPS):
        over = belief.weight * (reading / (anyway + per_air * air))
        anyway *= float(over.sum()) / len(reading)
        per_air *= float((over * air).sum() / (belief.weight * air).sum())
    expected = anyway + per_air * air
    noise = belief.mean((reading - expected) ** 2 / expected)
    return anyway, per_air, max(float(noise.mean()), LEAST_DISPERSION)
