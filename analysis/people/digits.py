"""Favourite numbers: terminal digits against what the instrument allows, and against what peers write."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.people.finding import CLEARLY_MORE, LEAST_ENTRIES, READINGS, Finding
from analysis.stats import binomial_tail, chi_square_tail

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
        known = bleeds.select("technician", "session_id", reading=name).drop_nulls("reading")
        written = _written(known)
        resolution = _resolution(written)
        if resolution is None:
            continue
        units = (pl.col("reading") / resolution).round(0, mode="half_to_even").cast(pl.Int64)
        written = written.with_columns(units=units)
        fives = _fives(written)
        for (who,), own in written.group_by("technician", maintain_order=True):
            finding = _digits(str(who), name, own, fives, known.get_column("session_id"))
            findings.extend([finding] if finding else [])
    return findings


def _written(known: pl.DataFrame) -> pl.DataFrame:
    """Each technician's distinct readings: how often each was written, and the first rows that hold it."""
    numbered = known.with_row_index("row")
    return numbered.group_by("technician", "reading", maintain_order=True).agg(
        times=pl.len().cast(pl.Int64), rows=pl.col("row").head(3)
    )


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


def _fives(written: pl.DataFrame) -> _Fives:
    times = written.get_column("times")
    return _Fives(int(times.filter(written.get_column("units") % 5 == 0).sum()), int(times.sum()))


def _digits(who: str, name: str, own: pl.DataFrame, everyone: _Fives, sessions: pl.Series) -> Finding | None:
    units, times = (own.get_column(column).to_numpy() for column in ("units", "times"))
    spread = float(np.sqrt(np.average((units - np.average(units, weights=times)) ** 2, weights=times)))
    classes = 10 if spread >= TEN_DIGITS_SPREAD else 5
    mine = _fives(own)
    if mine.of < LEAST_ENTRIES or spread < LEAST_SPREAD:
        return None
    uneven = digit_chi_square(np.bincount(units % classes, times, classes).astype(np.int64))
    peers = (everyone.count - mine.count) / max(everyone.of - mine.of, 1)
    usual = min(CLEARLY_MORE * max(0.2, peers), 1.0)
    heaped = binomial_tail(mine.count, mine.of, usual)
    rounded = own.filter(pl.col("units") % 5 == 0).get_column("rows").explode().sort().head(3)
    p = max(uneven.p_value, heaped)
    examples = tuple(sessions.gather(rounded.drop_nulls()).to_list())
    return Finding(who, "favourite_digits", name, mine.of, uneven.statistic, p, examples)


def _resolution(written: pl.DataFrame) -> float | None:
    """The coarsest grid on which at least 95% of the median technician's readings stand."""
    times, reading = pl.col("times"), pl.col("reading")
    for grid in RESOLUTIONS:
        on = (reading / grid - (reading / grid).round()).abs() < 1e-6
        shares = written.group_by("technician").agg(on=times.filter(on).sum() / times.sum(), n=times.sum())
        shares = shares.filter(pl.col("n") >= LEAST_ENTRIES)
        if not shares.is_empty() and float(shares.select(pl.col("on").median()).item()) >= 0.95:
            return grid
    return None
