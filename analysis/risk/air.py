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

from analysis.risk.cells import Cells
from analysis.risk.columns import Frozen
from analysis.risk.layout import AIR, FIRST, LAST, PUMPED, TRAVEL

Numbers = NDArray[np.float64]
NODES = np.linspace(-4.5, 4.5, 11)
"""Where the air is held possible, in standard deviations of its logarithm from where it is likeliest."""
REACH, DIGITS, MOST_STEPS = 3.0, 0.7, 100
"""The likeliest air is sought so many standard deviations around what the work leads to expect, to so large a share of the
digits of its precision, in so many steps at most."""
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
class Shown:
    """A reading of bleeds, one a bleed, and what each is worth: one over the noise; 0 and worth nothing where not told."""

    reading: Numbers
    worth: Numbers

    def of(self, rows: NDArray[np.bool_]) -> Shown:
        return Shown(self.reading[rows], self.worth[rows])


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

    def shown(self, readings: Numbers) -> dict[int, Shown]:
        """The readings that tell something, by their place."""
        told = np.isfinite(readings)
        return {
            place: Shown(
                np.where(told[place], readings[place], 0.0),
                told[place] / self.noise[place],
            )
            for place in self.telling
        }

    def expected(self, place: int, air: Numbers) -> Numbers:
        """What the reading should be with so much air."""
        expected = float(self.anyway[place]) + float(self.per_air[place]) * air
        return np.maximum(expected, LEAST_COUNT) if READINGS[place].counted else expected

    def taken(self, place: int, shown: Shown, air: Numbers) -> Shown:
        """The reading, one far from what so much air lets expect brought nearer."""
        expected = self.expected(place, air)
        far = self._far(place, expected)
        return Shown(np.clip(shown.reading, expected - far, expected + far), shown.worth)

    def likelihood(self, shown: dict[int, Shown], air: Numbers) -> Numbers:
        """The logarithm of all readings' together, constants left out; `air` has one column a bleed.

        A measured reading's is a square of the air, a count's a straight line and its logarithm: lines and squares are put
        together before they meet the air.
        """
        line, square = np.zeros((2, air.shape[-1]))
        likely = np.zeros_like(air)
        for place, one in shown.items():
            per_air = float(self.per_air[place])
            if READINGS[place].counted:
                log = np.log(self.expected(place, air))
                log *= one.reading * one.worth
                likely += log
                line -= per_air * one.worth
            else:
                line += per_air * one.worth * (one.reading - float(self.anyway[place]))
                square -= 0.5 * per_air**2 * one.worth
        curve = square * air
        curve += line
        curve *= air
        likely += curve
        return likely

    def asked(self, place: int, shown: Shown, air: Numbers) -> tuple[Numbers, Numbers]:
        """How steeply the likelihood rises with the logarithm of the air, above 0 where the reading asks for more; and how
        much the reading tells of that logarithm."""
        expected, along = self.expected(place, air), float(self.per_air[place]) * air
        far = self._far(place, expected)
        worth = along * shown.worth
        if READINGS[place].counted:
            worth /= expected
        return np.clip(shown.reading - expected, -far, far) * worth, worth * along

    def _far(self, place: int, expected: Numbers) -> Numbers | float:
        """So far from what it should be that a reading is not taken at its word."""
        far = FAR * float(np.sqrt(self.noise[place]))
        return far * np.sqrt(expected) if READINGS[place].counted else far


def readings_of(cells: Cells) -> Numbers:
    """One row a reading; NaN where nothing is told."""
    told = np.stack([cells.numbers(reading.field) for reading in READINGS])
    ended = np.array([reading.until_none for reading in READINGS])
    return np.where(ended[:, None] & ~(told > 0), np.nan, told)


@dataclass(frozen=True)
class Belief:
    """What the air of bleeds may have been, with how likely each is: one row a node, one column a bleed; and the readings
    as they were taken, by their place."""

    log_air: Numbers
    weight: Numbers
    shown: dict[int, Shown]

    def of(self, rows: NDArray[np.bool_]) -> Belief:
        shown = {place: one.of(rows) for place, one in self.shown.items()}
        return Belief(self.log_air[:, rows], self.weight[:, rows], shown)

    def mean(self, of: Numbers) -> Numbers:
        return np.asarray((self.weight * of).sum(axis=0))


def believed(expected: Numbers, variance: float, answers: Answers, readings: Numbers) -> Belief:
    """The air given the readings, its logarithm normal around `expected` before them."""
    shown = answers.shown(readings)
    likeliest, spread = _likeliest(expected, variance, answers, shown)
    taken = {place: answers.taken(place, one, np.exp(likeliest)) for place, one in shown.items()}
    log_air = likeliest + spread * NODES[:, None]
    weight = (log_air - expected) ** 2
    weight *= -0.5 / variance
    weight += answers.likelihood(taken, np.exp(log_air))
    weight -= weight.max(axis=0)
    np.exp(weight, out=weight)
    weight /= weight.sum(axis=0)
    return Belief(log_air, weight, taken)


def _likeliest(
    expected: Numbers, variance: float, answers: Answers, shown: dict[int, Shown]
) -> tuple[Numbers, Numbers]:
    """The likeliest logarithm of the air, by Fisher's scoring, and about how far from it others are likely.

    Bleeds whose likeliest air is found are asked no more.
    """
    reach, near = REACH * float(np.sqrt(variance)), float(np.finfo(float).eps) ** DIGITS
    likeliest, known = np.empty((2, len(expected)))
    left, at = np.arange(len(expected)), expected
    for _ in range(MOST_STEPS):
        air, rise, told = np.exp(at), (expected - at) / variance, np.full_like(at, 1 / variance)
        for place, one in shown.items():
            push, information = answers.asked(place, one, air)
            rise += push
            told += information
        found = np.clip(at + rise / told, expected - reach, expected + reach)
        likeliest[left], known[left] = found, told
        moved = np.abs(found - at) > near
        if not moved.any():
            break
        left, at, expected = left[moved], found[moved], expected[moved]
        shown = {place: one.of(moved) for place, one in shown.items()}
    return likeliest, 1 / np.sqrt(known)


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
        return cells.with_numbers(AIR, self.told(self.expected(self.inputs.matrix(cells)), readings_of(cells)))

    def expected(self, x: Numbers) -> Numbers:
        """The logarithm of the air that the work leads to expect."""
        return self.start + x @ self.coefficients

    def told(self, expected: Numbers, readings: Numbers) -> Numbers:
        belief = believed(expected, self.variance, self.answers, readings)
        return (belief.mean(belief.log_air) - self.centre) / self.scale

    def origins(self, x: Numbers, readings: Numbers) -> tuple[tuple[str, ...], Numbers]:
        """What pushes the air that is told up or down, theme by theme: the themes, and one row a theme, one column a bleed.

        Each column of the work pushes by what it adds to the expectation, each reading by how much more it asks for.
        """
        telling, columns = self.answers.telling, self.inputs.columns
        themes = tuple(dict.fromkeys([*(column.theme for column in columns), *(READINGS[i].theme for i in telling)]))
        whose = np.zeros((len(columns), len(themes)))
        for place, column in enumerate(columns):
            whose[place, themes.index(column.theme)] = self.coefficients[place]
        pushes = whose.T @ x.T
        expected = np.exp(self.expected(x))
        for place, one in self.answers.shown(readings).items():
            push, _ = self.answers.asked(place, one, expected)
            pushes[themes.index(READINGS[place].theme)] = self.variance * push
        return themes, pushes
