"""How the air and its readings are learnt: from every bleed, without its outcome, by expectation and maximisation.

Source: A. P. Dempster, N. M. Laird & D. B. Rubin 1977, J. R. Stat. Soc. B 39:1-38. Every bleed shows its readings at once,
so that a step's effect on air is known long before enough brakes have come back.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.risk.feature_spec import work_columns
from analysis.risk.feature_table import FeatureTable
from analysis.risk.features import BleedFeatures
from analysis.risk.latent_air import READINGS, LatentAirModel, MeasurementModel, Posterior, posterior, readings_of
from analysis.risk.preprocessing import TAIL, fit_preprocessor

FloatArray = NDArray[np.float64]
MAX_TRAINING_ROWS = 4_000
"""Bleeds, spread over the log: from them the readings' answers and what the work leads to expect are known well enough."""
ROUNDS, SWEEPS = 10, 3
"""Rounds of all, and in each of them sweeps that part counts; what further rounds move (where a reading's own level ends
and the air's part begins) tells bleeds no better apart."""
RIDGE = 3.0
MIN_READINGS = 20
FIRST_VARIANCE, MIN_VARIANCE = 0.5, 0.005
MIN_NOISE, MIN_DISPERSION = 1e-3, 0.5


def fit_latent_air(features: BleedFeatures) -> LatentAirModel:
    """The air of these bleeds as far as the work and the readings tell it; where no reading tells, all have the same.

    Parameters
    ----------
    features
        Of the bleeds to learn from.
    """
    cells = features.feature_table
    if cells.height > MAX_TRAINING_ROWS:
        cells = FeatureTable(cells.table[np.linspace(0, cells.height - 1, MAX_TRAINING_ROWS).astype(np.intp)])
    inputs = fit_preprocessor(work_columns(features), cells)
    x = inputs.transform(cells)
    readings = _winsorised(readings_of(cells))
    air = LatentAirModel(inputs, np.zeros(x.shape[1]), 0.0, FIRST_VARIANCE, _initial_measurement(readings))
    penalised_gram = x.T @ x + RIDGE * np.eye(x.shape[1])
    for _ in range(ROUNDS):
        air = _em_step(air, x, penalised_gram, readings)
    log_air = air.predict(air.expected(x), readings)
    spread = float(log_air.std())
    return replace(air, centre=float(log_air.mean()), scale=spread if spread > 0 else 1.0)


def _em_step(model: LatentAirModel, x: FloatArray, expected: FloatArray, readings: FloatArray) -> LatentAirModel:
    """What the work leads to expect, how far the air lies around it, and the readings' answers, each given the others."""
    belief = posterior(model.expected(x), model.variance, model.measurement, readings)
    mean = belief.mean(belief.log_air)
    start = float(mean.mean())
    updated = replace(
        model,
        intercept=start,
        coefficients=np.asarray(np.linalg.solve(expected, x.T @ (mean - start)), dtype=float),
        measurement=_update_measurement(model.measurement, belief),
    )
    squared_error = belief.mean((belief.log_air - updated.expected(x)) ** 2)
    return replace(updated, variance=max(float(squared_error.mean()), MIN_VARIANCE))


def _winsorised(readings: FloatArray) -> FloatArray:
    """The readings with the few that lie far from all others brought nearer; NaN where too few, or all alike, are shown."""
    clipped = np.full_like(readings, np.nan)
    for place, reading in enumerate(readings):
        recorded = reading[np.isfinite(reading)]
        if len(recorded) >= MIN_READINGS:
            usual = np.clip(reading, *np.quantile(recorded, (TAIL, 1 - TAIL)))
            if np.nanmean(usual) > 0 and np.nanvar(usual) > 0:
                clipped[place] = usual
    return clipped


def _initial_measurement(readings: FloatArray) -> MeasurementModel:
    """Readings thought to rise in proportion to air, most of what they show due to it."""
    parameters = np.full((3, len(READINGS)), np.nan)
    for place, reading in enumerate(READINGS):
        recorded = readings[place][np.isfinite(readings[place])]
        if len(recorded):
            level, variance = float(recorded.mean()), float(recorded.var())
            parameters[:, place] = (
                (0.4 * level, 0.5 * level, 1.0) if reading.is_count else (0.0, 0.8 * level, 0.3 * variance)
            )
    return MeasurementModel(*parameters)


def _update_measurement(measurement: MeasurementModel, posterior: Posterior) -> MeasurementModel:
    """The readings' answers to the air as it is believed."""
    parameters = np.stack([measurement.intercept, measurement.slope, measurement.noise])
    for place, one in posterior.observations.items():
        known = one.precision > 0
        own = _poisson_response if READINGS[place].is_count else _linear_response
        parameters[:, place] = own(parameters[:, place], posterior.take(known), one.reading[known])
    return replace(measurement, intercept=parameters[0], slope=parameters[1], noise=parameters[2])


def _linear_response(_: FloatArray, posterior: Posterior, reading: FloatArray) -> tuple[float, float, float]:
    """A straight line by least squares, the air averaged over."""
    air = np.exp(posterior.log_air)
    mean, square = posterior.mean(air), posterior.mean(air**2)
    spread = float((square - mean.mean() ** 2).mean())
    per_air = max(float(((reading - reading.mean()) * mean).mean()) / spread, 0.0)
    anyway = float(reading.mean() - per_air * mean.mean())
    residual = (reading - anyway - per_air * mean) ** 2 + per_air**2 * (square - mean**2)
    return anyway, per_air, max(float(residual.mean()), MIN_NOISE)


def _poisson_response(now: FloatArray, posterior: Posterior, reading: FloatArray) -> tuple[float, float, float]:
    """Each count parted into what comes anyway and what the air brings, as the two are expected now."""
    anyway, per_air = float(now[0]), float(now[1])
    air = np.exp(posterior.log_air)
    for _ in range(SWEEPS):
        over = posterior.weight * (reading / (anyway + per_air * air))
        anyway *= float(over.sum()) / len(reading)
        per_air *= float((over * air).sum() / (posterior.weight * air).sum())
    expected = anyway + per_air * air
    noise = posterior.mean((reading - expected) ** 2 / expected)
    return anyway, per_air, max(float(noise.mean()), MIN_DISPERSION)
