"""Times that cannot be, and readings one technician never varies."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl

from analysis.people.entries import RecordedValues
from analysis.people.finding import CLEAR_RATIO, MIN_ENTRIES, Finding, example_bleeds
from analysis.stats import poisson_tail

SLIPS = 0.02
"""Up to this share of impossible times is held to be chance (common practice, no source)."""
SLACK_MINUTES = 5
MIN_VALUES = 8
FIELDS_READ = ("technician", "session_id", "started_at", "started_at_has_time", "minutes", "settle_minutes")


def duration_findings(bleeds: pl.DataFrame) -> list[Finding]:
    """Bleeds shorter than their own settling time, or begun before the last one's minutes were over.

    Slips happen, and benches are shared: up to 2% of entries, or half as many again as peers', are held to be chance.
    """
    ordered = (
        bleeds.select(FIELDS_READ)
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
    findings = []
    everyone = int(timed.get_column("impossible").sum())
    for (technician,), own in timed.group_by("technician", maintain_order=True):
        if own.height >= MIN_ENTRIES:
            bad = own.filter("impossible")
            peers = (everyone - bad.height) / max(timed.height - own.height, 1)
            p = float(poisson_tail(bad.height, CLEAR_RATIO * max(SLIPS, peers) * own.height))
            findings.append(
                Finding(
                    str(technician), "impossible_durations", "minutes", own.height, bad.height, p, example_bleeds(bad)
                )
            )
    return findings


def constant_findings(readings: Mapping[str, RecordedValues]) -> list[Finding]:
    """Readings one technician never varies while the rest do.

    The chance that all n entries are the value the others write with share p is p^n; only readings to which the rest
    give at least eight values are judged, so that a step always met is not held against anyone.

    Parameters
    ----------
    readings
        What was written of each (`recorded`).
    """
    return [finding for name, recorded in readings.items() for finding in _constant(recorded, name)]


def _constant(recorded: RecordedValues, name: str) -> Iterator[Finding]:
    values, which = np.unique(recorded.reading, return_inverse=True)
    everyone = np.bincount(which, recorded.counts, len(values)).astype(np.int64)
    distinct = np.bincount(recorded.technician_index, minlength=len(recorded.technicians))
    total = int(everyone.sum())
    for place, (technician, entries) in enumerate(
        zip(recorded.technicians, recorded.entry_counts().tolist(), strict=True)
    ):
        single, others = distinct[place] == 1, total - entries
        if entries < MIN_ENTRIES or others < MIN_ENTRIES or len(values) - int(single) < MIN_VALUES:
            continue
        if not single:
            yield Finding(technician, "never_varied", name, entries, 0.0, 1.0)
            continue
        only = np.flatnonzero(recorded.technician_index == place)
        same = int(everyone[which[only[0]]])
        p = ((same - entries + 1) / (others + 2)) ** entries
        yield Finding(technician, "never_varied", name, entries, 1.0, p, recorded.examples(only))
