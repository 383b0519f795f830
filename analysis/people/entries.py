"""Tests of how a log was written: digits, copies, durations, readings that never vary, steps recorded only when met.

Each test takes one technician's entries beside the rest and gives a p-value under honest writing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from schemas import dictionary
from schemas.log import Sessions

Numbers = NDArray[np.float64]
RESOLUTIONS = (10.0, 5.0, 2.0, 1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.001)
LEAST_ENTRIES = 30
READINGS = tuple(
    entry.name
    for entry in dictionary("sessions", Sessions)
    if entry.type == "number" and entry.role in ("technique", "sign")
)
TECHNIQUE = tuple(entry.name for entry in dictionary("sessions", Sessions) if entry.role == "technique")


@dataclass(frozen=True)
class Finding:
    """One test of one technician's entries; `examples` are bleeds to look at."""

    technician: str
    test: str
    field: str
    n: int
    statistic: float
    p_value: float
    examples: tuple[str, ...] = ()


def digit_findings(bleeds: pl.DataFrame) -> list[Finding]:
    """Terminal digits against what the instrument's resolution allows, by chi-square.

    The resolution of a field is the coarsest grid that at least 95% of the median technician's readings stand on. A
    reading that spreads over many steps of it ends in each of ten digits equally often; one that spreads over fewer
    (standard deviation 3 to 6 steps) is judged by its remainder in fives; narrower ones are not judged.
    """
    findings = []
    for name in READINGS:
        known = bleeds.filter(pl.col(name).is_not_null()).select("technician", "session_id", name)
        resolution = _resolution(known, name)
        if resolution is None:
            continue
        for (who,), own in known.group_by("technician", maintain_order=True):
            finding = _digits(str(who), name, own, resolution)
            findings.extend([finding] if finding else [])
    return findings


def copy_findings(bleeds: pl.DataFrame) -> list[Finding]:
    """Entries that repeat the one before to the letter, against the chance of it in a shuffled order.

    Among n entries in random order, of which n_g share a technique vector, adjacent equals number about
    sum n_g (n_g - 1) / n; the count is then about Poisson. Vectors with fewer than four readings are passed over.
    """
    readings = [
        name for name in TECHNIQUE if name in bleeds.columns and bleeds.get_column(name).null_count() < len(bleeds)
    ]
    numeric = [name for name in readings if name in READINGS]
    written = (
        bleeds.filter(pl.sum_horizontal(pl.col(numeric).is_not_null()) >= 4) if len(numeric) >= 4 else bleeds.clear()
    )
    vectors = written.sort("started_at", "session_id").select(
        "technician", "session_id", vector=pl.struct(readings).hash(seed=1) if readings else pl.lit(0, pl.UInt64)
    )
    findings = []
    for (who,), own in vectors.group_by("technician", maintain_order=True):
        if own.height < LEAST_ENTRIES:
            continue
        same = own.filter(pl.col("vector") == pl.col("vector").shift(1))
        sizes = own.get_column("vector").value_counts().get_column("count").to_numpy().astype(float)
        expected = max(float((sizes * (sizes - 1)).sum() / own.height), 0.05)
        p = _poisson_tail(same.height, min(expected, _chance_of_copies(vectors, str(who), own.height)))
        findings.append(Finding(str(who), "copied_entries", "", own.height, same.height, p, _examples(same)))
    return findings


def duration_findings(bleeds: pl.DataFrame) -> list[Finding]:
    """Bleeds shorter than their own settling time, or begun before the last one's minutes were over.

    Slips happen: up to 2% of entries are held to be chance (common practice, no source).
    """
    ordered = bleeds.sort("technician", "started_at", "session_id").with_columns(
        ended=pl.col("started_at") + pl.duration(minutes=pl.col("minutes"))
    )
    overlaps = (
        pl.col("started_at_has_time")
        & pl.col("started_at_has_time").shift(1)
        & (pl.col("started_at") < pl.col("ended").shift(1) - pl.duration(minutes=5))
    ).over("technician")
    shorter = pl.col("minutes") < pl.col("settle_minutes")
    judged = ordered.filter(pl.col("minutes").is_not_null()).with_columns(
        impossible=overlaps.fill_null(False) | shorter.fill_null(False)
    )
    findings = []
    for (who,), own in judged.group_by("technician", maintain_order=True):
        if own.height >= LEAST_ENTRIES:
            bad = own.filter("impossible")
            p = _poisson_tail(bad.height, 0.02 * own.height)
            findings.append(
                Finding(str(who), "impossible_durations", "minutes", own.height, bad.height, p, _examples(bad))
            )
    return findings


def constant_findings(bleeds: pl.DataFrame) -> list[Finding]:
    """Readings one technician never varies while the rest do.

    The chance that all n entries are the value the others write with share p is p^n; only readings to which the rest
    give at least eight values are judged, so that a step always met is not held against anyone.
    """
    findings = []
    for name in READINGS:
        known = bleeds.filter(pl.col(name).is_not_null()).select("technician", "session_id", name)
        total = known.group_by(name).len().sort(name)
        for (who,), own in known.group_by("technician", maintain_order=True):
            others = known.height - own.height
            if own.height < LEAST_ENTRIES or others < LEAST_ENTRIES:
                continue
            varied = total.height if own.get_column(name).n_unique() > 1 else total.height - 1
            if varied < 8:
                continue
            value = own.get_column(name).mode().min()
            theirs = (
                int(total.filter(pl.col(name) == value).get_column("len").sum())
                - own.filter(pl.col(name) == value).height
            )
            single = own.get_column(name).n_unique() == 1
            p = ((theirs + 1) / (others + 2)) ** own.height if single else 1.0
            findings.append(
                Finding(
                    str(who),
                    "never_varied",
                    name,
                    own.height,
                    float(single),
                    p,
                    _examples(own.head(3)) if single else (),
                )
            )
    return findings


def selective_findings(bleeds: pl.DataFrame, missed: pl.DataFrame) -> list[Finding]:
    """Steps left blank where others write a miss.

    Both must hold for a technician over all steps: far fewer recorded misses than peers' shares foretell (even for
    someone who misses a third as often), and far more blanks than peers leave (half as many again); the larger of
    the two Poisson p-values counts (an intersection-union test: Berger 1982, Technometrics 24:295-300).
    """
    steps = missed.columns[1:]
    joined = missed.with_columns(technician=bleeds.get_column("technician"))
    counts = (
        joined.group_by("technician")
        .agg(n=pl.len(), **{f"m_{s}": pl.col(s).sum() for s in steps}, **{f"r_{s}": pl.col(s).count() for s in steps})
        .sort("technician")
    )
    n = counts.get_column("n").to_numpy().astype(float)[:, None]
    m = counts.select(f"m_{s}" for s in steps).to_numpy().astype(float)
    r = counts.select(f"r_{s}" for s in steps).to_numpy().astype(float)
    used = r.sum(axis=0) > 0
    m, r = m[:, used], r[:, used]
    with np.errstate(invalid="ignore", divide="ignore"):
        peer_miss = np.nan_to_num((m.sum(0) - m) / np.maximum(r.sum(0) - r, 1))
        peer_blank = np.nan_to_num(1 - (r.sum(0) - r) / np.maximum(n.sum() - n, 1))
    foretold, misses = (r * peer_miss).sum(1) / 3, m.sum(1)
    usual, blanks = 1.5 * (n * peer_blank).sum(1), (n - r).sum(1)
    findings = []
    for i, who in enumerate(counts.get_column("technician")):
        if n[i, 0] < LEAST_ENTRIES or len(n) < 2:
            continue
        few = _poisson_head(misses[i], foretold[i])
        many = _poisson_tail(blanks[i], max(usual[i], 0.5))
        blank = joined.filter((pl.col("technician") == who) & pl.any_horizontal(pl.col(steps).is_null())).head(3)
        findings.append(
            Finding(who, "recorded_only_when_met", "", int(n[i, 0]), float(blanks[i]), max(few, many), _examples(blank))
        )
    return findings


def _digits(who: str, name: str, own: pl.DataFrame, resolution: float) -> Finding | None:
    from scipy import stats

    units = np.round(own.get_column(name).to_numpy() / resolution)
    spread = float(np.std(units))
    classes = 10 if spread >= 6 else 5
    if len(units) < LEAST_ENTRIES or spread < 3:
        return None
    counts = np.bincount(units.astype(np.int64) % classes, minlength=classes)
    test = stats.chisquare(counts)
    favourite = own.filter(pl.Series(units.astype(np.int64) % classes == int(counts.argmax()))).head(3)
    return Finding(
        who, "favourite_digits", name, len(units), float(test.statistic), float(test.pvalue), _examples(favourite)
    )


def _resolution(known: pl.DataFrame, name: str) -> float | None:
    """The coarsest grid on which at least 95% of the median technician's readings stand."""
    for grid in RESOLUTIONS:
        off = (pl.col(name) / grid - (pl.col(name) / grid).round()).abs()
        shares = (
            known.group_by("technician").agg(on=(off < 1e-6).mean(), n=pl.len()).filter(pl.col("n") >= LEAST_ENTRIES)
        )
        if not shares.is_empty() and float(shares.select(pl.col("on").median()).item()) >= 0.95:
            return grid
    return None


def _chance_of_copies(vectors: pl.DataFrame, who: str, n: int) -> float:
    """Adjacent equals the rest would show among n entries: their own share, half a copy added."""
    rest = vectors.filter(pl.col("technician") != who)
    same = rest.filter((pl.col("vector") == pl.col("vector").shift(1)).over("technician")).height
    return (same + 0.5) / (rest.height + 1) * n if rest.height else np.inf


def _examples(rows: pl.DataFrame) -> tuple[str, ...]:
    return tuple(rows.get_column("session_id").head(3).to_list())


def _poisson_tail(count: float, mean: float) -> float:
    from scipy import stats

    return float(stats.poisson.sf(count - 1, mean))


def _poisson_head(count: float, mean: float) -> float:
    from scipy import stats

    return float(stats.poisson.cdf(count, mean))
