"""Times that cannot be, and readings one technician never varies."""

from __future__ import annotations

import polars as pl

from analysis.people.finding import CLEARLY_MORE, LEAST_ENTRIES, READINGS, Finding, examples_of
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


def constant_findings(bleeds: pl.DataFrame, readings: tuple[str, ...] = READINGS) -> list[Finding]:
    """Readings one technician never varies while the rest do.

    The chance that all n entries are the value the others write with share p is p^n; only readings to which the rest
    give at least eight values are judged, so that a step always met is not held against anyone.
    """
    findings = []
    bleeds = bleeds.select(pl.col("technician").cast(pl.Categorical), "session_id", *readings)
    for name in readings:
        known = bleeds.select("technician", "session_id", value=name).drop_nulls("value")
        counted = known.group_by("technician", "value").len()
        total = counted.group_by("value").agg(pl.col("len").sum())
        for who in known.get_column("technician").unique(maintain_order=True):
            own = counted.filter(pl.col("technician").eq_missing(who))
            findings += _constant(who, name, known, own, total)
    return findings


def _constant(who: str | None, name: str, known: pl.DataFrame, own: pl.DataFrame, total: pl.DataFrame) -> list[Finding]:
    """`own` and `total` count the technician's and everyone's values of the field, which stand in `known`."""
    entries, single = int(own.get_column("len").sum()), own.height == 1
    others, varied = known.height - entries, total.height - int(single)
    if entries < LEAST_ENTRIES or others < LEAST_ENTRIES or varied < LEAST_VALUES:
        return []
    if not single:
        return [Finding(str(who), "never_varied", name, entries, 0.0, 1.0)]
    everyone = int(total.filter(pl.col("value") == own.get_column("value")[0]).get_column("len").sum())
    p = ((everyone - entries + 1) / (others + 2)) ** entries
    examples = examples_of(known.filter(pl.col("technician").eq_missing(who)))
    return [Finding(str(who), "never_varied", name, entries, 1.0, p, examples)]
