"""The air nobody sees: how much a bleed left in the circuit, as the work and the readings on the stand tell it together.

Lever travel beyond a firm brake's, and what pumping gains, rise in proportion to trapped air (Boyle's law, `physics`);
bubbles come at a rate that does. The air itself is spread around what the work leads to expect, as many times above as
below. Each reading then counts for as much as it is worth beside the others: the logarithm of the air is told by its mean
given all of them. Learnt in `air_learnt`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.risk.feature_spec import AIR, FIRST, LAST, PUMPED, TRAVEL
from analysis.risk.feature_table import FeatureTable
from analysis.risk.preprocessing import FittedPreprocessor

FloatArray = NDArray[np.float64]
NODES = np.linspace(-4.5, 4.5, 11)
"""Where the air is held possible, in standard deviations of its logarithm from where it is likeliest."""
REACH, DIGITS, MAX_STEPS = 3.0, 0.7, 100
"""The likeliest air is sought so many standard deviations around what the work leads to expect, to so large a share of the
digits of its precision, in so many steps at most."""
FAR = 3.0
"""A reading that lies farther from what the likeliest air lets expect, in standard deviations, is taken to lie so far."""
MIN_COUNT = 1e-6


@dataclass(frozen=True)
class Reading:
    """A reading of the air: its `field` and the `feature_group` it speaks of; `is_count` in bubbles rather than measured in mm.

    Where `until_none`, a nought tells nothing: the work is to go on until none come.
    """

    field: str
    feature_group: str
    is_count: bool = False
    until_none: bool = False


READINGS = (
    Reading("travel_excess_mm", TRAVEL),
    Reading("pump_gain_mm", PUMPED),
    Reading("bubbles_first", FIRST, is_count=True),
    Reading("bubbles_last", LAST, is_count=True, until_none=True),
)


@dataclass(frozen=True)
class Observation:
    """A reading of bleeds, one a bleed, and what each is worth: one over the noise; 0 and worth nothing where not told."""

    reading: FloatArray
    precision: FloatArray

    def take(self, rows: NDArray[np.bool_]) -> Observation:
        return Observation(self.reading[rows], self.precision[rows])


@dataclass(frozen=True)
class MeasurementModel:
    """How readings answer to air, one entry a reading: `intercept` + `slope` × air on average.

    `noise` is the variance around it, of a count as a multiple of what is expected. All of a reading that tells nothing
    are NaN.
    """

    intercept: FloatArray
    slope: FloatArray
    noise: FloatArray

    @property
    def informative(self) -> list[int]:
        """The places of the readings that tell something."""
        return np.flatnonzero(np.isfinite(self.noise)).tolist()

    def observations(self, readings: FloatArray) -> dict[int, Observation]:
        """The readings that tell something, by their place."""
        known = np.isfinite(readings)
        return {
            place: Observation(
                np.where(known[place], readings[place], 0.0),
                known[place] / self.noise[place],
            )
            for place in self.informative
        }

    def expected(self, reading: int, air: FloatArray) -> FloatArray:
        """What the reading should be with so much air."""
        expected = float(self.intercept[reading]) + float(self.slope[reading]) * air
        return np.maximum(expected, MIN_COUNT) if READINGS[reading].is_count else expected

    def winsorised(self, reading: int, observed: Observation, air: FloatArray) -> Observation:
        """The reading, one far from what so much air lets expect brought nearer."""
        expected = self.expected(reading, air)
        limit = self._outlier_limit(reading, expected)
        return Observation(np.clip(observed.reading, expected - limit, expected + limit), observed.precision)

    def likelihood(self, observed: dict[int, Observation], air: FloatArray) -> FloatArray:
        """The logarithm of all readings' together, constants left out; `air` has one column a bleed.

        A measured reading's is a square of the air, a count's a straight line and its logarithm: lines and squares are put
        together before they meet the air.
        """
        line, square = np.zeros((2, air.shape[-1]))
        likely = np.zeros_like(air)
        for place, one in observed.items():
            per_air = float(self.slope[place])
            if READINGS[place].is_count:
                log = np.log(self.expected(place, air))
                log *= one.reading * one.precision
                likely += log
                line -= per_air * one.precision
            else:
                line += per_air * one.precision * (one.reading - float(self.intercept[place]))
                square -= 0.5 * per_air**2 * one.precision
        curve = square * air
        curve += line
        curve *= air
        likely += curve
        return likely

    def score_terms(self, reading: int, observed: Observation, air: FloatArray) -> tuple[FloatArray, FloatArray]:
        """How steeply the likelihood rises with the logarithm of the air, above 0 where the reading asks for more; and how
        much the reading tells of that logarithm."""
        expected, response = self.expected(reading, air), float(self.slope[reading]) * air
        limit = self._outlier_limit(reading, expected)
        weight = response * observed.precision
        if READINGS[reading].is_count:
            weight /= expected
        return np.clip(observed.reading - expected, -limit, limit) * weight, weight * response

    def _outlier_limit(self, reading: int, expected: FloatArray) -> FloatArray | float:
        """So far from what it should be that a reading is not taken at its word."""
        limit = FAR * float(np.sqrt(self.noise[reading]))
        return limit * np.sqrt(expected) if READINGS[reading].is_count else limit


def readings_of(features: FeatureTable) -> FloatArray:
    """One row a reading; NaN where nothing is told."""
    values = np.stack([features.numbers(reading.field) for reading in READINGS])
    ended = np.array([reading.until_none for reading in READINGS])
    return np.where(ended[:, None] & ~(values > 0), np.nan, values)


@dataclass(frozen=True)
class Posterior:
    """What the air of bleeds may have been, with how likely each is: one row a node, one column a bleed; and the readings
    as they were taken, by their place."""

    log_air: FloatArray
    weight: FloatArray
    observations: dict[int, Observation]

    def take(self, rows: NDArray[np.bool_]) -> Posterior:
        observations = {place: one.take(rows) for place, one in self.observations.items()}
        return Posterior(self.log_air[:, rows], self.weight[:, rows], observations)

    def mean(self, of: FloatArray) -> FloatArray:
        return np.asarray((self.weight * of).sum(axis=0))


def posterior(expected: FloatArray, variance: float, measurement: MeasurementModel, readings: FloatArray) -> Posterior:
    """The air given the readings, its logarithm normal around `expected` before them."""
    observations = measurement.observations(readings)
    likeliest, spread = _posterior_mode(expected, variance, measurement, observations)
    clipped = {place: measurement.winsorised(place, one, np.exp(likeliest)) for place, one in observations.items()}
    log_air = likeliest + spread * NODES[:, None]
    weight = (log_air - expected) ** 2
    weight *= -0.5 / variance
    weight += measurement.likelihood(clipped, np.exp(log_air))
    weight -= weight.max(axis=0)
    np.exp(weight, out=weight)
    weight /= weight.sum(axis=0)
    return Posterior(log_air, weight, clipped)


def _posterior_mode(
    expected: FloatArray, variance: float, measurement: MeasurementModel, observations: dict[int, Observation]
) -> tuple[FloatArray, FloatArray]:
    """The likeliest logarithm of the air, by Fisher's scoring, and about how far from it others are likely.

    Bleeds whose likeliest air is found are asked no more.
    """
    max_step, tolerance = REACH * float(np.sqrt(variance)), float(np.finfo(float).eps) ** DIGITS
    likeliest, known = np.empty((2, len(expected)))
    active, at = np.arange(len(expected)), expected
    for _ in range(MAX_STEPS):
        air, rise, curvature = np.exp(at), (expected - at) / variance, np.full_like(at, 1 / variance)
        for place, one in observations.items():
            push, information = measurement.score_terms(place, one, air)
            rise += push
            curvature += information
        updated = np.clip(at + rise / curvature, expected - max_step, expected + max_step)
        likeliest[active], known[active] = updated, curvature
        still_moving = np.abs(updated - at) > tolerance
        if not still_moving.any():
            break
        active, at, expected = active[still_moving], updated[still_moving], expected[still_moving]
        observations = {place: one.take(still_moving) for place, one in observations.items()}
    return likeliest, 1 / np.sqrt(known)


@dataclass(frozen=True)
class LatentAirModel:
    """What is learnt: the logarithm of the air, in a unit of its own, lies around `intercept` + inputs · `coefficients` with
    `variance`; `measurement` of the readings; `centre` and `scale` of what is told, so that bleeds learnt from have mean 0
    and standard deviation 1."""

    inputs: FittedPreprocessor
    coefficients: FloatArray = field(repr=False)
    intercept: float
    variance: float
    measurement: MeasurementModel = field(repr=False)
    centre: float = 0.0
    scale: float = 1.0

    def with_air(self, features: FeatureTable) -> FeatureTable:
        """The cells with a field more, `AIR`: the logarithm of the air, centred and scaled."""
        return features.with_numbers(
            AIR, self.predict(self.expected(self.inputs.transform(features)), readings_of(features))
        )

    def expected(self, x: FloatArray) -> FloatArray:
        """The logarithm of the air that the work leads to expect."""
        return self.intercept + x @ self.coefficients

    def predict(self, expected: FloatArray, readings: FloatArray) -> FloatArray:
        belief = posterior(expected, self.variance, self.measurement, readings)
        return (belief.mean(belief.log_air) - self.centre) / self.scale

    def attributions(self, x: FloatArray, readings: FloatArray) -> tuple[tuple[str, ...], FloatArray]:
        """What pushes the air that is told up or down, theme by theme: the themes, and one row a theme, one column a bleed.

        Each column of the work pushes by what it adds to the expectation, each reading by how much more it asks for.
        """
        telling, columns = self.measurement.informative, self.inputs.columns
        themes = tuple(
            dict.fromkeys(
                [*(column.feature_group for column in columns), *(READINGS[i].feature_group for i in telling)]
            )
        )
        whose = np.zeros((len(columns), len(themes)))
        for place, column in enumerate(columns):
            whose[place, themes.index(column.feature_group)] = self.coefficients[place]
        pushes = whose.T @ x.T
        expected = np.exp(self.expected(x))
        for place, one in self.measurement.observations(readings).items():
            push, _ = self.measurement.score_terms(place, one, expected)
            pushes[themes.index(READINGS[place].feature_group)] = self.variance * push
        return themes, pushes
