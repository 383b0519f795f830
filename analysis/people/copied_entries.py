"""Copied entries: bleeds that repeat the one before in every reading both have."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.people.finding import MIN_ENTRIES, Finding, example_bleeds
from analysis.stats import poisson_tail

MIN_EQUAL = 5
FAR_APART = range(15, 31)


def copy_findings(bleeds: pl.DataFrame, fields: tuple[str, ...]) -> list[Finding]:
    """Entries that repeat the one before in every reading both have, against entries further apart.

    Two entries match when no numeric field recorded in both differs and at least five are equal. The chance of a match is
    taken from the same technician's entries 15 to 30 apart and from the others' neighbours, whichever is larger; the
    count of matching neighbours is then about Poisson.

    Parameters
    ----------
    bleeds
        All accepted bleeds.
    fields
        The fields that the standard's steps read.
    """
    numeric = [name for name in fields if name in bleeds.columns and bleeds.schema[name].is_numeric()]
    if len(numeric) < MIN_EQUAL:
        return []
    fields_read = bleeds.select("technician", "started_at", "session_id", *numeric)
    ordered = fields_read.sort("technician", "started_at", "session_id").drop("started_at")
    people = ordered.partition_by("technician", maintain_order=True)
    del fields_read, ordered  # as large as all that follows
    entries = [own.select(pl.col(numeric).cast(pl.Float64).fill_null(np.nan)).to_numpy() for own in people]
    adjacent_matches = [_matches(own, 1) for own in entries]
    total, pairs = sum(int(m.sum()) for m in adjacent_matches), sum(len(m) for m in adjacent_matches)
    findings = []
    for own, values, matches in zip(people, entries, adjacent_matches, strict=True):
        if own.height < MIN_ENTRIES:
            continue
        distant_matches = [_matches(values, lag) for lag in FAR_APART if own.height > lag]
        apart = (sum(int(m.sum()) for m in distant_matches) + 0.5) / (sum(len(m) for m in distant_matches) + 1)
        count = int(matches.sum())
        others = (total - count + 0.5) / (pairs - len(matches) + 1)
        p = float(poisson_tail(count, max(apart, others) * len(matches)))
        same = own.slice(1).filter(pl.Series(matches, dtype=pl.Boolean))
        technician = own.get_column("technician")[0]
        findings.append(Finding(technician, "copied_entries", "", own.height, count, p, example_bleeds(same)))
    return findings


def _matches(values: NDArray[np.float64], lag: int) -> NDArray[np.bool_]:
    """For each entry but the first `lag`: whether it matches the one `lag` before it; NaN is not recorded."""
    later, earlier = values[lag:], values[:-lag]
    equal = later == earlier
    differ = ~equal & ~np.isnan(later) & ~np.isnan(earlier)
    return np.asarray((equal.sum(axis=1) >= MIN_EQUAL) & ~differ.any(axis=1))
