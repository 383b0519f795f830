"""Entries copied from the bleed before, impossible times, and readings that one technician never varies."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.people.entries import CLEAR_RATIO, MIN_ENTRIES, EntryFinding, RecordedValues, example_bleeds
from analysis.stats import level_codes, poisson_tail

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
