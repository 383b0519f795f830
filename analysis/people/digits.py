"""Favourite numbers: terminal digits against what the instrument allows, and against what peers write."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.people.finding import CLEARLY_MORE, LEAST_ENTRIES, READINGS, Finding, examples_of

RESOLUTIONS = (10.0, 5.0, 2.0, 1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.001)
LEAST_SPREAD, TEN_DIGITS_SPREAD = 3.0, 6.0
"""Standard deviation of a reading, in steps of its resolution: below the first it is not judged, below the second in fives."""


@dataclass(frozen=True)
class DigitTest:
    """Chi-square of terminal digits against evenness, and its p-value."""

    statistic: float
    p_value: float


def digit_findings(bleeds: pl.DataFrame, readings: tuple[str, ...] = READINGS) -> list[Finding]:
    """Terminal digits against what the instrument's resolution allows, by chi-square.

    The resolution of a field is the coarsest grid that at least 95% of the median technician's readings stand on. A
    reading that spreads over many steps of it ends in each of ten digits equally often; one that spreads over fewer
    (standard deviation 3 to 6 steps) is judged by its remainder in fives; narrower ones are not judged. Both must hold:
    the digits are uneven by chi-square, and multiples of five are clearly more than peers write in that field (half as
    many again; an intersection-union test: Berger 1982, Technometrics 24:295-300).
    """
    findings = []
    for name in readings:
        known = bleeds.filter(pl.col(name).is_not_null()).select("technician", "session_id", name)
        resolution = _resolution(known, name)
        if resolution is None:
            continue
        fives = _fives(known.get_column(name), resolution)
        for (who,), own in known.group_by("technician", maintain_order=True):
            finding = _digits(str(who), name, own, resolution, fives)
            findings.extend([finding] if finding else [])
    return findings


def digit_chi_square(counts: NDArray[np.int64]) -> DigitTest:
    """Whether every terminal digit is as frequent as every other (K. Pearson 1900, Philos. Mag. 50:157-175)."""
    from scipy import stats

    test = stats.chisquare(counts)
    return DigitTest(float(test.statistic), float(test.pvalue))


@dataclass(frozen=True)
class _Fives:
    """How many readings of everyone are multiples of five steps, of how many."""

    count: int
    of: int


def _fives(readings: pl.Series, resolution: float) -> _Fives:
    units = _units(readings, resolution)
    return _Fives(int((units % 5 == 0).sum()), len(units))


def _units(readings: pl.Series, resolution: float) -> NDArray[np.int64]:
    return np.round(readings.to_numpy() / resolution).astype(np.int64)


def _digits(who: str, name: str, own: pl.DataFrame, resolution: float, everyone: _Fives) -> Finding | None:
    from scipy import stats

    units = _units(own.get_column(name), resolution)
    spread = float(np.std(units))
    classes = 10 if spread >= TEN_DIGITS_SPREAD else 5
    if len(units) < LEAST_ENTRIES or spread < LEAST_SPREAD:
        return None
    uneven = digit_chi_square(np.bincount(units % classes, minlength=classes))
    mine = _fives(own.get_column(name), resolution)
    peers = (everyone.count - mine.count) / max(everyone.of - mine.of, 1)
    usual = min(CLEARLY_MORE * max(0.2, peers), 1.0)
    heaped = float(stats.binom.sf(mine.count - 1, mine.of, usual))
    rounded = own.filter(pl.Series(units % 5 == 0))
    p = max(uneven.p_value, heaped)
    return Finding(who, "favourite_digits", name, len(units), uneven.statistic, p, examples_of(rounded))


def _resolution(known: pl.DataFrame, name: str) -> float | None:
    """The coarsest grid on which at least 95% of the median technician's readings stand."""
    for grid in RESOLUTIONS:
        off = (pl.col(name) / grid - (pl.col(name) / grid).round()).abs()
        shares = known.group_by("technician").agg(on=(off < 1e-6).mean(), n=pl.len())
        shares = shares.filter(pl.col("n") >= LEAST_ENTRIES)
        if not shares.is_empty() and float(shares.select(pl.col("on").median()).item()) >= 0.95:
            return grid
    return None
