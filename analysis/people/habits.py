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
        pl.col("started_at_has_time")
        & pl.col("started_at_has_time").shift(1)
        & (pl.col("started_at") < pl.col("ended").shift(1) - pl.duration(minutes=SLACK_MINUTES))
    ).over("technician")
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
    for name in readings:
        known = bleeds.select("technician", "session_id", name).drop_nulls(name)
        total = known.group_by(name).len().sort(name)
        for (who,), own in known.group_by("technician", maintain_order=True):
            finding = _constant(str(who), name, own, total, known.height - own.height)
            findings.extend([finding] if finding else [])
    return findings


def _constant(who: str, name: str, own: pl.DataFrame, total: pl.DataFrame, others: int) -> Finding | None:
    """`total` counts everyone's values of the field; `others` are the entries of the rest."""
    values = own.get_column(name)
    single = values.n_unique() == 1
    varied = total.height - 1 if single else total.height
    if own.height < LEAST_ENTRIES or others < LEAST_ENTRIES or varied < LEAST_VALUES:
        return None
    if not single:
        return Finding(who, "never_varied", name, own.height, 0.0, 1.0)
    everyone = int(total.filter(pl.col(name) == values[0]).get_column("len").sum())
    p = ((everyone - own.height + 1) / (others + 2)) ** own.height
    return Finding(who, "never_varied", name, own.height, 1.0, p, examples_of(own))
