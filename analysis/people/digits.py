"""Favourite numbers: terminal digits against what the instrument allows, and against what peers write."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.people.finding import CLEARLY_MORE, LEAST_ENTRIES, Finding
from analysis.people.written import Written
from analysis.stats import binomial_tail, chi_square_tail

RESOLUTIONS = (10.0, 5.0, 2.0, 1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.001)
LEAST_SPREAD, TEN_DIGITS_SPREAD = 3.0, 6.0
"""Standard deviation of a reading, in steps of its resolution: below the first it is not judged, below the second in fives."""


@dataclass(frozen=True)
class DigitTest:
    """Chi-square of terminal digits against evenness, and its p-value."""

    statistic: float
    p_value: float


def digit_findings(readings: Mapping[str, Written]) -> list[Finding]:
    """Terminal digits against what the instrument's resolution allows, by chi-square.

    The resolution of a field is the coarsest grid that at least 95% of the median technician's readings stand on. A
    reading that spreads over many steps of it ends in each of ten digits equally often; one that spreads over fewer
    (standard deviation 3 to 6 steps) is judged by its remainder in fives; narrower ones are not judged. Both must hold:
    the digits are uneven by chi-square, and multiples of five are clearly more than peers write in that field (half as
    many again; an intersection-union test: Berger 1982, Technometrics 24:295-300).

    Parameters
    ----------
    readings
        What was written of each (`written`).
    """
    return [finding for name, written in readings.items() for finding in _in_field(written, name)]


def _in_field(written: Written, name: str) -> Iterator[Finding]:
    resolution = _resolution(written)
    if resolution is None:
        return
    units = np.rint(written.reading / resolution).astype(np.int64)
    fives = units % 5 == 0
    everyone = _Fives(int(written.times[fives].sum()), int(written.times.sum()))
    for place, who in enumerate(written.who):
        own = np.flatnonzero(written.place == place)
        judged = _judged(units[own], written.times[own], everyone)
        if judged is not None:
            examples = written.examples(own[fives[own]])
            yield Finding(who, "favourite_digits", name, judged.of, judged.statistic, judged.p_value, examples)


def digit_chi_square(counts: NDArray[np.int64]) -> DigitTest:
    """Whether every terminal digit is as frequent as every other (K. Pearson 1900, Philos. Mag. 50:157-175)."""
    usual = counts.mean()
    statistic = float(((counts - usual) ** 2 / usual).sum())
    return DigitTest(statistic, float(chi_square_tail(statistic, len(counts) - 1)))


@dataclass(frozen=True)
class _Fives:
    """How many readings of everyone are multiples of five steps, of how many."""

    count: int
    of: int


@dataclass(frozen=True)
class _Judged:
    """One technician's readings of one field: how many, the unevenness of their digits, and how likely by chance."""

    of: int
    statistic: float
    p_value: float


def _judged(units: NDArray[np.int64], times: NDArray[np.int64], everyone: _Fives) -> _Judged | None:
    """None where they are too few or spread over too few steps."""
    spread = float(np.sqrt(np.average((units - np.average(units, weights=times)) ** 2, weights=times)))
    classes = 10 if spread >= TEN_DIGITS_SPREAD else 5
    mine = _Fives(int(times[units % 5 == 0].sum()), int(times.sum()))
    if mine.of < LEAST_ENTRIES or spread < LEAST_SPREAD:
        return None
    uneven = digit_chi_square(np.bincount(units % classes, times, classes).astype(np.int64))
    peers = (everyone.count - mine.count) / max(everyone.of - mine.of, 1)
    heaped = binomial_tail(mine.count, mine.of, min(CLEARLY_MORE * max(0.2, peers), 1.0))
    return _Judged(mine.of, uneven.statistic, max(uneven.p_value, heaped))


def _resolution(written: Written) -> float | None:
    """The coarsest grid on which at least 95% of the median technician's readings stand."""
    of = written.entries()
    enough = of >= LEAST_ENTRIES
    for grid in RESOLUTIONS if enough.any() else ():
        steps = written.reading / grid
        on = np.bincount(written.place, written.times * (np.abs(steps - np.rint(steps)) < 1e-6), len(written.who))
        if np.median(on[enough] / of[enough]) >= 0.95:
            return grid
    return None
