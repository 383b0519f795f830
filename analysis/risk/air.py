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

from analysis.regression import Floats, product
from analysis.risk.cells import Cells
from analysis.risk.columns import Frozen
from analysis.risk.layout import AIR, FIRST, LAST, PUMPED, TRAVEL

Numbers = NDArray[np.float64]
NODES = np.linspace(-4.5, 4.5, 11)
"""Where the air is held possible, in standard deviations of its logarithm from where it is likeliest."""
REACH, STEPS = 3.0, 8
"""The likeliest air is sought so many standard deviations around what the work leads to expect, and in so many steps."""
FAR = 3.0
"""A reading that lies farther from what the likeliest air lets expect, in standard deviations, is taken to lie so far."""
LEAST_COUNT = 1e-6


@dataclass(frozen=True)
class Reading:
    """A reading of the air: its `field` and the `theme` it speaks of; `counted` in bubbles rather than measured in mm.

    Where `until_none`, a nought tells nothing: the work is to go on until none come.
    """

    field: str
    theme: str
    counted: bool = False
    until_none: bool = False


READINGS = (
    Reading("travel_excess_mm", TRAVEL),
    Reading("pump_gain_mm", PUMPED),
    Reading("bubbles_first", FIRST, counted=True),
    Reading("bubbles_last", LAST, counted=True, until_none=True),
)


@dataclass(frozen=True)
class Answers:
    """How readings answer to air, one entry a reading: `anyway` + `per_air` × air on average.

    `noise` is the variance around it, of a count as a multiple of what is expected. All of a reading that tells nothing
    are NaN.
    """

    anyway: Numbers
    per_air: Numbers
    noise: Numbers

    @property
    def telling(self) -> list[int]:
        """The places of the readings that tell something."""
        return np.flatnonzero(np.isfinite(self.noise)).tolist()

    def expected(self, place: int, air: Numbers) -> Numbers:
        """What the reading should be with so much air."""
        return np.maximum(
            self.anyway[place] + self.per_air[place] * air, LEAST_COUNT if READINGS[place].counted else -np.inf
        )

    def variance(self, place: int, expected: Numbers) -> Numbers:
        """Of the reading around what it should be."""
        counted = READINGS[place].counted
        return self.noise[place] * (expected if counted else np.ones_like(expected))

    def taken(self, place: int, reading: Numbers, air: Numbers) -> Numbers:
        """The reading, one far from what so much air lets expect brought nearer."""
        expected = self.expected(place, air)
        far = FAR * np.sqrt(self.variance(place, expected))
        return np.clip(reading, expected - far, expected + far)

    def likelihood(self, place: int, reading: Numbers, air: Numbers) -> Numbers:
        """The logarithm of the reading's, constants left out."""
        expected, noise = self.expected(place, air), self.noise[place]
        if READINGS[place].counted:
            return np.asarray((reading * np.log(expected) - expected) / noise)
        return np.asarray(-((reading - expected) ** 2) / (2 * noise))

    def asked(self, place: int, reading: Numbers, air: Numbers) -> tuple[Numbers, Numbers]:
        """How steeply the likelihood rises with the logarithm of the air, above 0 where the reading asks for more; and how
        much the reading tells of that logarithm."""
        expected, along = self.expected(place, air), self.per_air[place] * air
        variance = self.variance(place, expected)
        far = FAR * np.sqrt(variance)
        push = np.clip(reading - expected, -far, far) * along / variance
        return push, along**2 / variance


def readings_of(cells: Cells) -> Numbers:
    """One row a reading; NaN where nothing is told."""
    told = np.stack([cells.numbers(reading.field) for reading in READINGS])
    ended = np.array([reading.until_none for reading in READINGS])
    return np.where(ended[:, None] & ~(told > 0), np.nan, told)


@dataclass(frozen=True)
class Belief:
    """What the air of bleeds may have been, with how likely each is: one row a node, one column a bleed; and the readings
    as they were taken, one row a reading."""

    log_air: Numbers
    weight: Numbers
    readings: Numbers

    def of(self, rows: NDArray[np.bool_]) -> Belief:
        return Belief(self.log_air[:, rows], self.weight[:, rows], self.readings[:, rows])

    def mean(self, of: Numbers) -> Numbers:
        return np.asarray((self.weight * of).sum(axis=0))


def believed(expected: Numbers, variance: float, answers: Answers, readings: Numbers) -> Belief:
    """The air given the readings, the logarithm normal around `expected` before them."""
    likeliest, spread = _likeliest(expected, variance, answers, readings)
    log_air, taken = likeliest + spread * NODES[:, None], readings.copy()
    air, likely = np.exp(log_air), -((log_air - expected) ** 2) / (2 * variance)
    for place in answers.telling:
        taken[place] = answers.taken(place, readings[place], np.exp(likeliest))
        told = answers.likelihood(place, taken[place], air)
        np.add(likely, told, out=likely, where=np.isfinite(taken[place]))
    weight = np.exp(likely - likely.max(axis=0))
    return Belief(log_air, weight / weight.sum(axis=0), taken)


def _likeliest(expected: Numbers, variance: float, answers: Answers, readings: Numbers) -> tuple[Numbers, Numbers]:
    """The likeliest logarithm of the air, by Fisher's scoring, and about how far from it others are likely."""
    reach, at = REACH * np.sqrt(variance), expected
    for _ in range(STEPS):
        air, rise, known = np.exp(at), (expected - at) / variance, np.full(len(at), 1 / variance)
        for place in answers.telling:
            push, information = answers.asked(place, readings[place], air)
            told = np.isfinite(push)
            np.add(rise, push, out=rise, where=told)
            np.add(known, information, out=known, where=told)
        at = np.clip(at + rise / known, expected - reach, expected + reach)
    return at, 1 / np.sqrt(known)


@dataclass(frozen=True)
class Air:
    """What is learnt: the logarithm of the air, in a unit of its own, lies around `start` + inputs · `coefficients` with
    `variance`; `answers` of the readings; `centre` and `scale` of what is told, so that bleeds learnt from have mean 0
    and standard deviation 1."""

    inputs: Frozen
    coefficients: Numbers = field(repr=False)
    start: float
    variance: float
    answers: Answers = field(repr=False)
    centre: float = 0.0
    scale: float = 1.0

    def beside(self, cells: Cells) -> Cells:
        """The cells with a field more, `AIR`: the logarithm of the air, centred and scaled."""
        return cells.beside({AIR: self.told(self.expected(self.inputs.matrix(cells)), readings_of(cells))})

    def expected(self, x: Floats) -> Numbers:
        """The logarithm of the air that the work leads to expect."""
        return self.start + product(x, self.coefficients)

    def told(self, expected: Numbers, readings: Numbers) -> Numbers:
        belief = believed(expected, self.variance, self.answers, readings)
        return (belief.mean(belief.log_air) - self.centre) / self.scale

    def origins(self, x: Floats, readings: Numbers) -> tuple[tuple[str, ...], Floats]:
        """What pushes the air that is told up or down, theme by theme: the themes, and one row a theme, one column a bleed.

        Each column of the work pushes by what it adds to the expectation, each reading by how much more it asks for.
        """
        telling, columns = self.answers.telling, self.inputs.columns
        themes = tuple(dict.fromkeys([*(column.theme for column in columns), *(READINGS[i].theme for i in telling)]))
        whose = np.zeros((len(columns), len(themes)))
        for place, column in enumerate(columns):
            whose[place, themes.index(column.theme)] = self.coefficients[place]
        pushes = whose.T.astype(x.dtype) @ x.T  # a column's values lie side by side
        expected = np.exp(self.expected(x))
        for place in telling:
            push, _ = self.answers.asked(place, readings[place], expected)
            pushes[themes.index(READINGS[place].theme)] = np.nan_to_num(self.variance * push)
        return themes, pushes
