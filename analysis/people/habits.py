"""Times that cannot be, and readings one technician never varies."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl

from analysis.people.finding import CLEARLY_MORE, LEAST_ENTRIES, Finding, examples_of
from analysis.people.written import Written
from analysis.stats import poisson_tail

SLIPS = 0.02
"""Up to this share of impossible times is held to be chance (common practice, no source)."""
SLACK_MINUTES = 5
LEAST_VALUES = 8
READ = ("technician", "session_id", "started_at", "started_at_has_time", "minutes", "settle_minutes")


def duration_findings(bleeds: pl.DataFrame) -> list[Finding]:
    """Bleeds shorter than their own settling time, or begun before the last one's minutes were over.

    Slips happen, and benches are shared: up to 2% of entries, or half as many again as peers', are held to be chance.
    """
    ordered = (
        bleeds.select(READ)
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
    judged = ordered.filter(pl.col("minutes").is_not_null()).with_columns(
        impossible=overlaps.fill_null(False) | shorter.fill_null(False)
    )
    findings = []
    everyone = int(judged.get_column("impossible").sum())
    for (who,), own in judged.group_by("technician", maintain_order=True):
        if own.height >= LEAST_ENTRIES:
            bad = own.filter("impossible")
            peers = (everyone - bad.height) / max(judged.height - own.height, 1)
            p = float(poisson_tail(bad.height, CLEARLY_MORE * max(SLIPS, peers) * own.height))
            findings.append(
                Finding(str(who), "impossible_durations", "minutes", own.height, bad.height, p, examples_of(bad))
            )
    return findings


def constant_findings(readings: Mapping[str, Written]) -> list[Finding]:
    """Readings one technician never varies while the rest do.

    The chance that all n entries are the value the others write with share p is p^n; only readings to which the rest
    give at least eight values are judged, so that a step always met is not held against anyone.

    Parameters
    ----------
    readings
        What was written of each (`written`).
    """
    return [finding for name, written in readings.items() for finding in _constant(written, name)]


def _constant(written: Written, name: str) -> Iterator[Finding]:
    values, which = np.unique(written.reading, return_inverse=True)
    everyone = np.bincount(which, written.times, len(values)).astype(np.int64)
    distinct = np.bincount(written.place, minlength=len(written.who))
    total = int(everyone.sum())
    for place, (who, entries) in enumerate(zip(written.who, written.entries().tolist(), strict=True)):
        single, others = distinct[place] == 1, total - entries
        if entries < LEAST_ENTRIES or others < LEAST_ENTRIES or len(values) - int(single) < LEAST_VALUES:
            continue
        if not single:
            yield Finding(who, "never_varied", name, entries, 0.0, 1.0)
            continue
        only = np.flatnonzero(written.place == place)
        same = int(everyone[which[only[0]]])
        p = ((same - entries + 1) / (others + 2)) ** entries
        yield Finding(who, "never_varied", name, entries, 1.0, p, written.examples(only))
