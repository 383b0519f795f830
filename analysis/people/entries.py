"""What technicians recorded, by field, and tests of it: digit preference, copied entries, impossible durations, values that never vary."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.stats import binomial_tail, chi_square_tail, level_codes, poisson_tail
from schemas import dictionary
from schemas.log import Sessions

MIN_ENTRIES, EXAMPLES = 30, 3
CLEAR_RATIO = 1.5
"""A habit counts only where it is clearly more common than among peers on the same field."""
READINGS = tuple(
    entry.name
    for entry in dictionary("sessions", Sessions)
    if entry.type == "number" and entry.role in ("technique", "sign")
)


@dataclass(frozen=True)
class EntryFinding:
    """One test of one technician's entries; `examples` are bleeds to look at."""

    technician: str
    test: str
    field: str
    n: int
    statistic: float
    p_value: float
    examples: tuple[str, ...] = ()


def example_bleeds(rows: pl.DataFrame) -> tuple[str, ...]:
    """The first few of these bleeds, as examples."""
    return tuple(rows.get_column("session_id").head(EXAMPLES).to_list())


@dataclass(frozen=True)
class RecordedValues:
    """Each technician's distinct values of one reading, one entry per technician and value.

    `technician_index` is an index into `technicians`, `counts` how often the value was recorded, and `rows` the first
    bleeds with it, as indices into `session_id`.
    """

    technicians: list[str]
    technician_index: NDArray[np.int64]
    reading: NDArray[np.float64]
    counts: NDArray[np.int64]
    rows: pl.Series = field(repr=False)
    session_id: pl.Series = field(repr=False)

    @cached_property
    def entry_counts(self) -> NDArray[np.int64]:
        """How many readings each technician recorded."""
        return np.bincount(self.technician_index, self.counts, len(self.technicians)).astype(np.int64)

    @cached_property
    def values_by_technician(self) -> list[NDArray[np.intp]]:
        """Each technician's entries, as indices."""
        sizes = np.bincount(self.technician_index, minlength=len(self.technicians))
        parts = np.split(np.argsort(self.technician_index, kind="stable"), np.cumsum(sizes)[:-1])
        return parts[: len(self.technicians)]

    def examples(self, entries: NDArray[np.intp]) -> tuple[str, ...]:
        """The first bleeds with any of these values."""
        rows = sorted(row for rows in self.rows.gather(entries).to_list() for row in rows)[:EXAMPLES]
        return tuple(self.session_id.gather(rows).to_list())


def recorded_values(bleeds: pl.DataFrame, readings: Sequence[str] = READINGS) -> dict[str, RecordedValues]:
    """What was recorded, by reading.

    Parameters
    ----------
    bleeds
        One row per bleed: technician, session_id and the readings.
    readings
        Columns of numbers.
    """
    bleeds = bleeds.select(pl.col("technician").cast(pl.Categorical), "session_id", *readings)
    return {name: _values_of_reading(bleeds, name) for name in readings}


def _values_of_reading(bleeds: pl.DataFrame, name: str) -> RecordedValues:
    recorded = bleeds.select("technician", "session_id", reading=name).drop_nulls("reading")
    values = (
        recorded.with_row_index("row")
        .group_by("technician", "reading", maintain_order=True)
        .agg(times=pl.len().cast(pl.Int64), rows=pl.col("row").head(EXAMPLES))
    )
    names = [str(name) for name in values.get_column("technician").to_list()]
    indices = {name: i for i, name in enumerate(dict.fromkeys(names))}
    return RecordedValues(
        technicians=list(indices),
        technician_index=np.array([indices[name] for name in names], dtype=np.int64),
        reading=values.get_column("reading").cast(pl.Float64).to_numpy(),
        counts=values.get_column("times").to_numpy(),
        rows=values.get_column("rows"),
        session_id=recorded.get_column("session_id"),
    )


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


MIN_EQUAL = 5
FAR_APART = range(15, 31)
IMPOSSIBLE_SHARE = 0.02
"""Up to this share of impossible times counts as slips of the pen (common practice, no source)."""
SLACK_MINUTES = 5
MIN_VALUES = 8


def copy_findings(bleeds: pl.DataFrame, fields: tuple[str, ...]) -> list[EntryFinding]:
    """Test whether entries repeat the one before in every reading that both have.

    Two entries match when no numeric field recorded in both differs and at least five are equal. The chance of a match
    is the larger of two shares: of the technician's own entries 15 to 30 apart, and of the others' neighbours. The
    number of matching neighbours is then about Poisson.

    Parameters
    ----------
    bleeds
        All accepted bleeds.
    fields
        The fields that the procedure's steps read.
    """
    numeric = [name for name in fields if name in bleeds.columns and bleeds.schema[name].is_numeric()]
    if len(numeric) < MIN_EQUAL or bleeds.is_empty():
        return []
    ordered = bleeds.select("technician", "started_at", "session_id", *numeric).sort(
        "technician", "started_at", "session_id"
    )
    values = ordered.select(pl.col(numeric).cast(pl.Float64).fill_null(np.nan)).to_numpy()
    code = level_codes(ordered.get_column("technician"))
    first = np.flatnonzero(np.diff(code, prepend=-1))
    neighbours = np.zeros(len(code), dtype=bool)
    neighbours[1:] = _matches_earlier_entry(values, 1) & (code[1:] == code[:-1])
    total, pairs = int(neighbours.sum()), len(code) - len(first)
    findings = []
    for start, end in zip(first.tolist(), [*first[1:].tolist(), len(code)], strict=True):
        if end - start < MIN_ENTRIES:
            continue
        own = ordered.slice(start, end - start)
        matches = neighbours[start + 1 : end]
        distant = [_matches_earlier_entry(values[start:end], lag) for lag in FAR_APART if own.height > lag]
        own_share = (sum(int(m.sum()) for m in distant) + 0.5) / (sum(len(m) for m in distant) + 1)
        count = int(matches.sum())
        others_share = (total - count + 0.5) / (pairs - len(matches) + 1)
        p_value = float(poisson_tail(count, max(own_share, others_share) * len(matches)))
        examples = example_bleeds(own.slice(1).filter(pl.Series(matches, dtype=pl.Boolean)))
        technician = own.get_column("technician")[0]
        findings.append(EntryFinding(technician, "copied_entries", "", own.height, count, p_value, examples))
    return findings


def _matches_earlier_entry(values: NDArray[np.float64], lag: int) -> NDArray[np.bool_]:
    """For each entry but the first `lag`: whether it matches the one `lag` before it; NaN is not recorded."""
    later, earlier = values[lag:], values[:-lag]
    equal = later == earlier
    differ = ~equal & ~np.isnan(later) & ~np.isnan(earlier)
    return np.asarray((equal.sum(axis=1) >= MIN_EQUAL) & ~differ.any(axis=1))


def duration_findings(bleeds: pl.DataFrame) -> list[EntryFinding]:
    """Test for bleeds shorter than their own settling time, or started before the last one's minutes were over.

    Slips happen, and benches are shared: up to 2% of entries, or half as many again as among peers, count as chance.
    """
    ordered = (
        bleeds.select("technician", "session_id", "started_at", "started_at_has_time", "minutes", "settle_minutes")
        .sort("technician", "started_at", "session_id")
        .with_columns(ended=pl.col("started_at") + pl.duration(minutes=pl.col("minutes")))
    )
    overlaps = (
        (pl.col("technician") == pl.col("technician").shift(1))
        & pl.col("started_at_has_time")
        & pl.col("started_at_has_time").shift(1)
        & (pl.col("started_at") < pl.col("ended").shift(1) - pl.duration(minutes=SLACK_MINUTES))
    )
    shorter = pl.col("minutes") < pl.col("settle_minutes")
    timed = ordered.filter(pl.col("minutes").is_not_null()).with_columns(
        impossible=overlaps.fill_null(False) | shorter.fill_null(False)
    )
    everyone = int(timed.get_column("impossible").sum())
    findings = []
    for (technician,), own in timed.group_by("technician", maintain_order=True):
        if own.height >= MIN_ENTRIES:
            impossible = own.filter("impossible")
            count = impossible.height
            peers = (everyone - count) / max(timed.height - own.height, 1)
            p_value = float(poisson_tail(count, CLEAR_RATIO * max(IMPOSSIBLE_SHARE, peers) * own.height))
            examples = example_bleeds(impossible)
            findings.append(
                EntryFinding(str(technician), "impossible_durations", "minutes", own.height, count, p_value, examples)
            )
    return findings


def constant_findings(readings: Mapping[str, RecordedValues]) -> list[EntryFinding]:
    """Test for readings that one technician never varies while the others do.

    The chance that all n entries have the value that the others record with share p is p^n. Only readings to which the
    others give at least eight values are tested, so that a step always met does not count against anyone.
    """
    return [finding for name, recorded in readings.items() for finding in _test_constant_reading(recorded, name)]


def _test_constant_reading(recorded: RecordedValues, name: str) -> Iterator[EntryFinding]:
    values, value_of_entry = np.unique(recorded.reading, return_inverse=True)
    everyone = np.bincount(value_of_entry, recorded.counts, len(values)).astype(np.int64)
    total = int(everyone.sum())
    for technician, entries, own in zip(
        recorded.technicians, recorded.entry_counts.tolist(), recorded.values_by_technician, strict=True
    ):
        single, others = len(own) == 1, total - entries
        if entries < MIN_ENTRIES or others < MIN_ENTRIES or len(values) - int(single) < MIN_VALUES:
            continue
        if not single:
            yield EntryFinding(technician, "never_varied", name, entries, 0.0, 1.0)
            continue
        same = int(everyone[value_of_entry[own[0]]])
        p_value = ((same - entries + 1) / (others + 2)) ** entries
        yield EntryFinding(technician, "never_varied", name, entries, 1.0, p_value, recorded.examples(own))
