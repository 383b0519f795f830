"""Latent trapped air of each bleed: log-normal given the work, measured by the stand readings, fitted by EM.

Model, for air a of a bleed with work x:
  log a ~ N(intercept + x·coefficients, variance)
  measured reading (mm) = c + s·a + noise, count of bubbles = quasi-Poisson with mean c + s·a
Lever travel above a firm lever's and pump-up are proportional to trapped air (Boyle's law, `analysis.physics`), and so
is the rate of bubbles. The score of a bleed is E[log a | readings], by quadrature around the posterior mode. Readings
are fitted without outcomes, so a step's effect on air is known long before enough bikes have come back.

Source of the fit: A. P. Dempster, N. M. Laird & D. B. Rubin 1977, J. R. Stat. Soc. B 39:1-38.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analysis.risk.feature_table import FeatureTable
from analysis.risk.preprocessing import (
    AIR,
    FIRST,
    LAST,
    PUMPED,
    TAIL,
    TRAVEL,
    FittedPreprocessor,
    fit_preprocessor,
    work_columns,
)

FloatArray = NDArray[np.float64]
NODES = np.linspace(-4.5, 4.5, 11)
"""Quadrature nodes of log air, in posterior standard deviations from the mode."""
MAX_MODE_SHIFT, TOLERANCE_EXPONENT, MAX_ITERATIONS = 3.0, 0.7, 100
"""Search for the mode: within this many prior standard deviations of the prior mean, up to eps^`TOLERANCE_EXPONENT`."""
OUTLIER_SD = 3.0
"""Readings further from their expectation at the mode, in standard deviations, are moved to that distance."""
MIN_COUNT = 1e-6
MAX_TRAINING_BLEEDS = 4_000
"""Bleeds used by EM, evenly spaced in the log."""
EM_ITERATIONS, POISSON_UPDATES = 10, 3
"""EM iterations, and multiplicative updates of a count's mean in each; more only trade intercept against slope."""
RIDGE = 3.0
MIN_READINGS = 20
INITIAL_VARIANCE, MIN_VARIANCE = 0.5, 0.005
MIN_NOISE, MIN_DISPERSION = 1e-3, 0.5
"""Ridge of the work's coefficients; fewest readings to use one; variances at the start and at least; least noise of
a measured reading (mm²) and least dispersion of a count."""


@dataclass(frozen=True)
class StandReadingField:
    """One of the stand readings: its `field`, the `feature_group` it counts under, and whether it is a count (else in
    mm).

    Where `until_none`, zero is no information: the procedure is to go on until no bubbles show.
    """

    field: str
    feature_group: str
    is_count: bool = False
    until_none: bool = False


READINGS = (
    StandReadingField("travel_excess_mm", TRAVEL),
    StandReadingField("pump_gain_mm", PUMPED),
    StandReadingField("bubbles_first", FIRST, is_count=True),
    StandReadingField("bubbles_last", LAST, is_count=True, until_none=True),
)


@dataclass(frozen=True)
class ObservedReading:
    """One reading of n bleeds, and its precision (1/noise); both 0 where not recorded."""

    values: FloatArray
    precision: FloatArray

    def take(self, rows: NDArray[np.bool_]) -> ObservedReading:
        return ObservedReading(self.values[rows], self.precision[rows])


@dataclass(frozen=True)
class MeasurementModel:
    """Mean of each reading, `intercept` + `slope` × air, and its `noise`: variance, or for a count variance over mean.

    One entry per reading; NaN where a reading is not used.
    """

    intercept: FloatArray
    slope: FloatArray
    noise: FloatArray

    @property
    def indices_in_use(self) -> list[int]:
        """Indices of the readings in use."""
        return np.flatnonzero(np.isfinite(self.noise)).tolist()

    def observations(self, readings: FloatArray) -> dict[int, ObservedReading]:
        """Readings in use, by index."""
        recorded = np.isfinite(readings)
        return {
            index: ObservedReading(
                np.where(recorded[index], readings[index], 0.0),
                recorded[index] / self.noise[index],
            )
            for index in self.indices_in_use
        }

    def expected(self, reading: int, air: FloatArray) -> FloatArray:
        """Mean of the reading at this air."""
        expected = float(self.intercept[reading]) + float(self.slope[reading]) * air
        return np.maximum(expected, MIN_COUNT) if READINGS[reading].is_count else expected

    def winsorise(self, reading: int, observed: ObservedReading, air: FloatArray) -> ObservedReading:
        """The observation with outliers moved to `OUTLIER_SD` standard deviations from its mean at this air."""
        expected = self.expected(reading, air)
        limit = self._outlier_limit(reading, expected)
        return ObservedReading(np.clip(observed.values, expected - limit, expected + limit), observed.precision)

    def log_likelihood(self, observed: dict[int, ObservedReading], air: FloatArray) -> FloatArray:
        """Log likelihood of all readings up to a constant; `air` is nodes × bleeds.

        The terms of a measured reading are quadratic in air, those of a count linear and logarithmic; quadratic and
        linear coefficients are summed over readings first.
        """
        linear, quadratic = np.zeros((2, air.shape[-1]))
        total = np.zeros_like(air)
        for index, observation in observed.items():
            slope = float(self.slope[index])
            if READINGS[index].is_count:
                total += np.log(self.expected(index, air)) * (observation.values * observation.precision)
                linear -= slope * observation.precision
            else:
                linear += slope * observation.precision * (observation.values - float(self.intercept[index]))
                quadratic -= 0.5 * slope**2 * observation.precision
        return total + (quadratic * air + linear) * air

    def score_terms(self, reading: int, observed: ObservedReading, air: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Score of the reading in log air, and its Fisher information."""
        expected, derivative = self.expected(reading, air), float(self.slope[reading]) * air
        limit = self._outlier_limit(reading, expected)
        weight = derivative * observed.precision
        if READINGS[reading].is_count:
            weight /= expected
        return np.clip(observed.values - expected, -limit, limit) * weight, weight * derivative

    def _outlier_limit(self, reading: int, expected: FloatArray) -> FloatArray | float:
        limit = OUTLIER_SD * float(np.sqrt(self.noise[reading]))
        return limit * np.sqrt(expected) if READINGS[reading].is_count else limit


def reading_matrix(features: FeatureTable) -> FloatArray:
    """Readings × bleeds; NaN where there is no information."""
    absent = np.full(features.height, np.nan)
    fields = features.table.columns
    values = np.stack([features.numbers(r.field) if r.field in fields else absent for r in READINGS])
    until_none = np.array([reading.until_none for reading in READINGS])
    return np.where(until_none[:, None] & ~(values > 0), np.nan, values)


@dataclass(frozen=True)
class Posterior:
    """Posterior of log air: nodes and weights (both nodes × bleeds), and the winsorised observations by reading
    index.
    """

    log_air: FloatArray
    weight: FloatArray
    observations: dict[int, ObservedReading]

    def take(self, rows: NDArray[np.bool_]) -> Posterior:
        observations = {index: observation.take(rows) for index, observation in self.observations.items()}
        return Posterior(self.log_air[:, rows], self.weight[:, rows], observations)

    def mean(self, of: FloatArray) -> FloatArray:
        return np.asarray((self.weight * of).sum(axis=0))


def posterior(
    prior_mean: FloatArray, variance: float, measurement: MeasurementModel, readings: FloatArray
) -> Posterior:
    """Posterior of log air given the readings, with prior N(prior_mean, variance)."""
    observations = measurement.observations(readings)
    mode, sd = _posterior_mode(prior_mean, variance, measurement, observations)
    air = np.exp(mode)
    clipped = {index: measurement.winsorise(index, observed, air) for index, observed in observations.items()}
    log_air = mode + sd * NODES[:, None]
    log_prior = (log_air - prior_mean) ** 2 * (-0.5 / variance)
    log_density = log_prior + measurement.log_likelihood(clipped, np.exp(log_air))
    density = np.exp(log_density - log_density.max(axis=0))
    return Posterior(log_air, density / density.sum(axis=0), clipped)


def _posterior_mode(
    prior_mean: FloatArray, variance: float, measurement: MeasurementModel, observations: dict[int, ObservedReading]
) -> tuple[FloatArray, FloatArray]:
    """Mode of log air by Fisher scoring, and its standard deviation.

    Each bleed stops by itself, so that its result does not depend on the other bleeds in the table.
    """
    max_step, tolerance = MAX_MODE_SHIFT * float(np.sqrt(variance)), float(np.finfo(float).eps) ** TOLERANCE_EXPONENT
    mode, information = np.empty((2, len(prior_mean)))
    active, current = np.arange(len(prior_mean)), prior_mean
    for _ in range(MAX_ITERATIONS):
        air = np.exp(current)
        score, total_information = (prior_mean - current) / variance, np.full_like(current, 1 / variance)
        for index, observation in observations.items():
            score_term, information_term = measurement.score_terms(index, observation, air)
            score += score_term
            total_information += information_term
        updated = np.clip(current + score / total_information, prior_mean - max_step, prior_mean + max_step)
        mode[active], information[active] = updated, total_information
        still_moving = np.abs(updated - current) > tolerance
        if not still_moving.any():
            break
        active, current, prior_mean = active[still_moving], updated[still_moving], prior_mean[still_moving]
        observations = {index: observation.take(still_moving) for index, observation in observations.items()}
    return mode, 1 / np.sqrt(information)


@dataclass(frozen=True)
class LatentAirModel:
    """Fitted model of log air; `centre` and `scale` standardise its posterior mean over the fitted bleeds."""

    inputs: FittedPreprocessor
    coefficients: FloatArray = field(repr=False)
    intercept: float
    variance: float
    measurement: MeasurementModel = field(repr=False)
    centre: float = 0.0
    scale: float = 1.0

    def with_air(self, features: FeatureTable) -> FeatureTable:
        """The feature table with the field `AIR`: posterior mean of log air, standardised."""
        return features.with_numbers(
            AIR, self.predict(self.prior_mean(self.inputs.transform(features)), reading_matrix(features))
        )

    def prior_mean(self, x: FloatArray) -> FloatArray:
        """Prior mean of log air given the work (n)."""
        return self.intercept + x @ self.coefficients

    def predict(self, prior_mean: FloatArray, readings: FloatArray) -> FloatArray:
        """Standardised posterior mean of log air (n)."""
        air = posterior(prior_mean, self.variance, self.measurement, readings)
        return (air.mean(air.log_air) - self.centre) / self.scale

    def attributions(self, x: FloatArray, readings: FloatArray) -> tuple[tuple[str, ...], FloatArray]:
        """Contributions to log air by feature group: group names, and groups × bleeds.

        A column of the work contributes to the prior mean, a reading the prior variance times its score there.
        """
        readings_used, columns = self.measurement.indices_in_use, self.inputs.columns
        groups = tuple(
            dict.fromkeys(
                [*(column.feature_group for column in columns), *(READINGS[i].feature_group for i in readings_used)]
            )
        )
        loadings = np.zeros((len(columns), len(groups)))
        for index, column in enumerate(columns):
            loadings[index, groups.index(column.feature_group)] = self.coefficients[index]
        contributions = loadings.T @ x.T
        prior_air = np.exp(self.prior_mean(x))
        for index, observation in self.measurement.observations(readings).items():
            score, _ = self.measurement.score_terms(index, observation, prior_air)
            contributions[groups.index(READINGS[index].feature_group)] = self.variance * score
        return groups, contributions


def fit_latent_air(features: FeatureTable, leak_steps: Sequence[str]) -> LatentAirModel:
    """Fit the model to these bleeds by EM; without usable readings every bleed has its prior mean.

    Parameters
    ----------
    features
        Bleeds to fit.
    leak_steps
        Steps whose miss causes a leak.
    """
    table = features
    if table.height > MAX_TRAINING_BLEEDS:
        table = FeatureTable(table.table[np.linspace(0, table.height - 1, MAX_TRAINING_BLEEDS).astype(np.intp)])
    inputs = fit_preprocessor(work_columns(features.table, leak_steps), table)
    x = inputs.transform(table)
    readings = _winsorise_readings(reading_matrix(table))
    model = LatentAirModel(inputs, np.zeros(x.shape[1]), 0.0, INITIAL_VARIANCE, _initial_measurement(readings))
    penalised_gram = x.T @ x + RIDGE * np.eye(x.shape[1])
    for _ in range(EM_ITERATIONS):
        model = _em_step(model, x, penalised_gram, readings)
    log_air = model.predict(model.prior_mean(x), readings)
    sd = float(log_air.std())
    return replace(model, centre=float(log_air.mean()), scale=sd if sd > 0 else 1.0)


def _em_step(model: LatentAirModel, x: FloatArray, penalised_gram: FloatArray, readings: FloatArray) -> LatentAirModel:
    """One EM iteration: coefficients, measurement model and variance."""
    air = posterior(model.prior_mean(x), model.variance, model.measurement, readings)
    mean = air.mean(air.log_air)
    intercept = float(mean.mean())
    updated = replace(
        model,
        intercept=intercept,
        coefficients=np.asarray(np.linalg.solve(penalised_gram, x.T @ (mean - intercept)), dtype=float),
        measurement=_update_measurement(model.measurement, air),
    )
    squared_error = air.mean((air.log_air - updated.prior_mean(x)) ** 2)
    return replace(updated, variance=max(float(squared_error.mean()), MIN_VARIANCE))


def _winsorise_readings(readings: FloatArray) -> FloatArray:
    """Readings limited to their `TAIL` quantiles; NaN for readings with too few values or no variation."""
    clipped = np.full_like(readings, np.nan)
    for index, reading in enumerate(readings):
        recorded = reading[np.isfinite(reading)]
        if len(recorded) >= MIN_READINGS:
            limited = np.clip(reading, *np.quantile(recorded, (TAIL, 1 - TAIL)))
            if np.nanmean(limited) > 0 and np.nanvar(limited) > 0:
                clipped[index] = limited
    return clipped


def _initial_measurement(readings: FloatArray) -> MeasurementModel:
    parameters = np.full((3, len(READINGS)), np.nan)
    for index, reading in enumerate(READINGS):
        recorded = readings[index][np.isfinite(readings[index])]
        if len(recorded):
            mean, variance = float(recorded.mean()), float(recorded.var())
            parameters[:, index] = (
                (0.4 * mean, 0.5 * mean, 1.0) if reading.is_count else (0.0, 0.8 * mean, 0.3 * variance)
            )
    return MeasurementModel(*parameters)


def _update_measurement(measurement: MeasurementModel, air: Posterior) -> MeasurementModel:
    parameters = np.stack([measurement.intercept, measurement.slope, measurement.noise])
    for index, observation in air.observations.items():
        recorded = observation.precision > 0
        update = _poisson_response if READINGS[index].is_count else _linear_response
        parameters[:, index] = update(parameters[:, index], air.take(recorded), observation.values[recorded])
    return replace(measurement, intercept=parameters[0], slope=parameters[1], noise=parameters[2])


def _linear_response(current: FloatArray, posterior_air: Posterior, reading: FloatArray) -> tuple[float, float, float]:
    """Least squares of a measured reading on the air, integrated over its posterior."""
    air = np.exp(posterior_air.log_air)
    mean, mean_square = posterior_air.mean(air), posterior_air.mean(air**2)
    air_variance = float((mean_square - mean.mean() ** 2).mean())
    covariance = float(((reading - reading.mean()) * mean).mean())
    slope = max(covariance / air_variance, 0.0) if air_variance > 0 else 0.0
    intercept = float(reading.mean() - slope * mean.mean())
    residual = (reading - intercept - slope * mean) ** 2 + slope**2 * (mean_square - mean**2)
    return intercept, slope, max(float(residual.mean()), MIN_NOISE)


def _poisson_response(current: FloatArray, posterior_air: Posterior, reading: FloatArray) -> tuple[float, float, float]:
    """Multiplicative updates of a count's intercept and slope, integrated over the posterior of the air."""
    intercept, slope = float(current[0]), float(current[1])
    air = np.exp(posterior_air.log_air)
    for _ in range(POISSON_UPDATES):
        ratio = posterior_air.weight * (reading / (intercept + slope * air))
        intercept *= float(ratio.sum()) / len(reading)
        slope *= float((ratio * air).sum() / (posterior_air.weight * air).sum())
    expected = intercept + slope * air
    noise = posterior_air.mean((reading - expected) ** 2 / expected)
    return intercept, slope, max(float(noise.mean()), MIN_DISPERSION)
