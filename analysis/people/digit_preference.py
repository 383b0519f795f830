"""Digit preference: last digits compared with what the instrument allows and with what peers record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.people.entries import CLEAR_RATIO, MIN_ENTRIES, EntryFinding, RecordedValues
from analysis.stats import binomial_tail, chi_square_tail

RESOLUTIONS = (10.0, 5.0, 2.0, 1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.001)
MIN_SPREAD, TEN_DIGITS_SPREAD = 3.0, 6.0
"""Standard deviation of a reading in units of its resolution: below the first it is not tested, below the second in fives."""


@dataclass(frozen=True)
class DigitTest:
    """Chi-square of last digits against equal frequencies, and its p-value."""

    statistic: float
    p_value: float


def digit_findings(readings: Mapping[str, RecordedValues]) -> list[EntryFinding]:
    """Test each technician's last digits of each reading for digit preference.

    The resolution of a field is the coarsest grid that at least 95% of the median technician's readings are on. A
    reading that spreads over many units of it ends in each of ten digits equally often; one with a standard deviation
    of 3 to 6 units is tested by its remainder in fives; a narrower one is not tested. Two things are required: the
    digits are uneven by chi-square, and multiples of five are clearly more common than peers record in that field (half
    as many again; an intersection-union test: R. L. Berger 1982, Technometrics 24:295-300).
    """
    return [finding for name, recorded in readings.items() for finding in _test_field_digits(recorded, name)]


def _test_field_digits(recorded: RecordedValues, name: str) -> Iterator[EntryFinding]:
    resolution = _recording_resolution(recorded)
    if resolution is None:
        return
    units = np.rint(recorded.reading / resolution).astype(np.int64)
    fives = units % 5 == 0
    everyone = _MultiplesOfFive(int(recorded.counts[fives].sum()), int(recorded.counts.sum()))
    for technician, own in zip(recorded.technicians, recorded.values_by_technician, strict=True):
        digits = _technician_digits(units[own], recorded.counts[own], everyone)
        if digits is not None:
            examples = recorded.examples(own[fives[own]])
            yield EntryFinding(
                technician, "favourite_digits", name, digits.readings, digits.statistic, digits.p_value, examples
            )


def digit_chi_square(counts: NDArray[np.int64]) -> DigitTest:
    """Test whether all last digits are equally frequent (K. Pearson 1900, Philos. Mag. 50:157-175)."""
    expected = counts.mean()
    statistic = float(((counts - expected) ** 2 / expected).sum())
    return DigitTest(statistic, float(chi_square_tail(statistic, len(counts) - 1)))


@dataclass(frozen=True)
class _MultiplesOfFive:
    """How many readings are multiples of five units, and how many there are."""

    count: int
    total: int


@dataclass(frozen=True)
class _TechnicianDigits:
    """One technician's readings of one field: how many, the chi-square of their digits, and the p-value."""

    readings: int
    statistic: float
    p_value: float


def _technician_digits(
    units: NDArray[np.int64], counts: NDArray[np.int64], everyone: _MultiplesOfFive
) -> _TechnicianDigits | None:
    """None where there are too few readings, or they spread over too few units."""
    own_multiples = _MultiplesOfFive(int(counts[units % 5 == 0].sum()), int(counts.sum()))
    if own_multiples.total < MIN_ENTRIES:
        return None
    spread = float(np.sqrt(np.average((units - np.average(units, weights=counts)) ** 2, weights=counts)))
    classes = 10 if spread >= TEN_DIGITS_SPREAD else 5
    if spread < MIN_SPREAD:
        return None
    uneven = digit_chi_square(np.bincount(units % classes, counts, classes).astype(np.int64))
    peers = (everyone.count - own_multiples.count) / max(everyone.total - own_multiples.total, 1)
    heaped = binomial_tail(own_multiples.count, own_multiples.total, min(CLEAR_RATIO * max(0.2, peers), 1.0))
    return _TechnicianDigits(own_multiples.total, uneven.statistic, max(uneven.p_value, heaped))


def _recording_resolution(recorded: RecordedValues) -> float | None:
    """The coarsest grid that at least 95% of the median technician's readings are on."""
    entries = recorded.entry_counts
    enough = entries >= MIN_ENTRIES
    for resolution in RESOLUTIONS if enough.any() else ():
        units = recorded.reading / resolution
        on_grid = recorded.counts * (np.abs(units - np.rint(units)) < 1e-6)
        by_technician = np.bincount(recorded.technician_index, on_grid, len(recorded.technicians))
        if np.median(by_technician[enough] / entries[enough]) >= 0.95:
            return resolution
    return None
