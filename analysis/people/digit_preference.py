"""Favourite numbers: terminal digits against what the instrument allows, and against what peers write."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.people.entries import RecordedValues
from analysis.people.finding import CLEAR_RATIO, MIN_ENTRIES, Finding
from analysis.stats import binomial_tail, chi_square_tail

RESOLUTIONS = (10.0, 5.0, 2.0, 1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.001)
MIN_SPREAD, TEN_DIGITS_SPREAD = 3.0, 6.0
"""Standard deviation of a reading, in steps of its resolution: below the first it is not judged, below the second in fives."""


@dataclass(frozen=True)
class DigitTest:
    """Chi-square of terminal digits against evenness, and its p-value."""

    statistic: float
    p_value: float


def digit_findings(readings: Mapping[str, RecordedValues]) -> list[Finding]:
    """Terminal digits against what the instrument's resolution allows, by chi-square.

    The resolution of a field is the coarsest grid that at least 95% of the median technician's readings stand on. A
    reading that spreads over many steps of it ends in each of ten digits equally often; one that spreads over fewer
    (standard deviation 3 to 6 steps) is judged by its remainder in fives; narrower ones are not judged. Both must hold:
    the digits are uneven by chi-square, and multiples of five are clearly more than peers write in that field (half as
    many again; an intersection-union test: Berger 1982, Technometrics 24:295-300).

    Parameters
    ----------
    readings
        What was written of each (`recorded`).
    """
    return [finding for name, recorded in readings.items() for finding in _in_field(recorded, name)]


def _in_field(recorded: RecordedValues, name: str) -> Iterator[Finding]:
    resolution = _resolution(recorded)
    if resolution is None:
        return
    units = np.rint(recorded.reading / resolution).astype(np.int64)
    fives = units % 5 == 0
    everyone = _MultiplesOfFive(int(recorded.counts[fives].sum()), int(recorded.counts.sum()))
    for place, technician in enumerate(recorded.technicians):
        own = np.flatnonzero(recorded.technician_index == place)
        digits = _technician_digits(units[own], recorded.counts[own], everyone)
        if digits is not None:
            examples = recorded.examples(own[fives[own]])
            yield Finding(
                technician, "favourite_digits", name, digits.readings, digits.statistic, digits.p_value, examples
            )


def digit_chi_square(counts: NDArray[np.int64]) -> DigitTest:
    """Whether every terminal digit is as frequent as every other (K. Pearson 1900, Philos. Mag. 50:157-175)."""
    usual = counts.mean()
    statistic = float(((counts - usual) ** 2 / usual).sum())
    return DigitTest(statistic, float(chi_square_tail(statistic, len(counts) - 1)))


@dataclass(frozen=True)
class _MultiplesOfFive:
    """How many readings of everyone are multiples of five steps, of how many."""

    count: int
    total: int


@dataclass(frozen=True)
class _TechnicianDigits:
    """One technician's readings of one field: how many, the unevenness of their digits, and how likely by chance."""

    readings: int
    statistic: float
    p_value: float


def _technician_digits(
    units: NDArray[np.int64], counts: NDArray[np.int64], everyone: _MultiplesOfFive
) -> _TechnicianDigits | None:
    """None where they are too few or spread over too few steps."""
    spread = float(np.sqrt(np.average((units - np.average(units, weights=counts)) ** 2, weights=counts)))
    classes = 10 if spread >= TEN_DIGITS_SPREAD else 5
    own_multiples = _MultiplesOfFive(int(counts[units % 5 == 0].sum()), int(counts.sum()))
    if own_multiples.total < MIN_ENTRIES or spread < MIN_SPREAD:
        return None
    uneven = digit_chi_square(np.bincount(units % classes, counts, classes).astype(np.int64))
    peers = (everyone.count - own_multiples.count) / max(everyone.total - own_multiples.total, 1)
    heaped = binomial_tail(own_multiples.count, own_multiples.total, min(CLEAR_RATIO * max(0.2, peers), 1.0))
    return _TechnicianDigits(own_multiples.total, uneven.statistic, max(uneven.p_value, heaped))


def _resolution(recorded: RecordedValues) -> float | None:
    """The coarsest grid on which at least 95% of the median technician's readings stand."""
    of = recorded.entry_counts()
    enough = of >= MIN_ENTRIES
    for grid in RESOLUTIONS if enough.any() else ():
        steps = recorded.reading / grid
        on = np.bincount(
            recorded.technician_index,
            recorded.counts * (np.abs(steps - np.rint(steps)) < 1e-6),
            len(recorded.technicians),
        )
        if np.median(on[enough] / of[enough]) >= 0.95:
            return grid
    return None
