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
LEAST_EQUAL = 5
FAR_APART = range(15, 31)
CLEARLY_MORE = 1.5
"""A habit must be clearly more than peers' on the same field to be held against anyone."""
READINGS = tuple(
    entry.name
    for entry in dictionary("sessions", Sessions)
    if entry.type == "number" and entry.role in ("technique", "sign")
)


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
    (standard deviation 3 to 6 steps) is judged by its remainder in fives; narrower ones are not judged. Both must hold:
    the digits are uneven by chi-square, and multiples of five are clearly more than peers write in that field (half as
    many again; an intersection-union test: Berger 1982, Technometrics 24:295-300).
    """
    findings = []
    for name in READINGS:
        known = bleeds.filter(pl.col(name).is_not_null()).select("technician", "session_id", name)
        resolution = _resolution(known, name)
        if resolution is None:
            continue
        fives = _fives(known.get_column(name), resolution)
        for (who,), own in known.group_by("technician", maintain_order=True):
            finding = _digits(str(who), name, own, resolution, fives)
            findings.extend([finding] if finding else [])
    return findings


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
    if len(numeric) < LEAST_EQUAL:
        return []
    ordered = bleeds.sort("technician", "started_at", "session_id").select("technician", "session_id", *numeric)
    people = ordered.partition_by("technician", maintain_order=True)
    near = [_matches(own, numeric, 1) for own in people]
    total, pairs = sum(int(m.sum()) for m in near), sum(len(m) for m in near)
    findings = []
    for own, mine in zip(people, near, strict=True):
        if own.height < LEAST_ENTRIES:
            continue
        far = [_matches(own, numeric, lag) for lag in FAR_APART if own.height > lag]
        apart = (sum(int(m.sum()) for m in far) + 0.5) / (sum(len(m) for m in far) + 1)
        others = (total - int(mine.sum()) + 0.5) / (pairs - len(mine) + 1)
        count = int(mine.sum())
        p = _poisson_tail(count, max(apart, others) * len(mine))
        same = own.slice(1).filter(mine)
        who = own.get_column("technician")[0]
        findings.append(Finding(who, "copied_entries", "", own.height, count, p, _examples(same)))
    return findings


def duration_findings(bleeds: pl.DataFrame) -> list[Finding]:
    """Bleeds shorter than their own settling time, or begun before the last one's minutes were over.

    Slips happen, and benches are shared: up to 2% of entries, or half as many again as peers', are held to be chance
    (common practice, no source).
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
    everyone = int(judged.get_column("impossible").sum())
    for (who,), own in judged.group_by("technician", maintain_order=True):
        if own.height >= LEAST_ENTRIES:
            bad = own.filter("impossible")
            peers = (everyone - bad.height) / max(judged.height - own.height, 1)
            p = _poisson_tail(bad.height, CLEARLY_MORE * max(0.02, peers) * own.height)
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


@dataclass(frozen=True)
class _Fives:
    """How many readings of everyone are multiples of five steps, of how many."""

    count: int
    of: int


def _fives(readings: pl.Series, resolution: float) -> _Fives:
    units = np.round(readings.to_numpy() / resolution).astype(np.int64)
    return _Fives(int((units % 5 == 0).sum()), len(units))


def _digits(who: str, name: str, own: pl.DataFrame, resolution: float, everyone: _Fives) -> Finding | None:
    from scipy import stats

    units = np.round(own.get_column(name).to_numpy() / resolution).astype(np.int64)
    spread = float(np.std(units))
    classes = 10 if spread >= 6 else 5
    if len(units) < LEAST_ENTRIES or spread < 3:
        return None
    uneven = digit_chi_square(np.bincount(units % classes, minlength=classes))
    mine = _fives(own.get_column(name), resolution)
    peers = (everyone.count - mine.count) / max(everyone.of - mine.of, 1)
    usual = min(CLEARLY_MORE * max(0.2, peers), 0.95)
    heaped = float(stats.binom.sf(mine.count - 1, mine.of, usual))
    rounded = own.filter(pl.Series(units % 5 == 0))
    p = max(uneven.p_value, heaped)
    return Finding(who, "favourite_digits", name, len(units), uneven.statistic, p, _examples(rounded))


@dataclass(frozen=True)
class DigitTest:
    """Chi-square of terminal digits against evenness, and its p-value."""

    statistic: float
    p_value: float


def digit_chi_square(counts: NDArray[np.int64]) -> DigitTest:
    """Whether every terminal digit is as frequent as every other (K. Pearson 1900, Philos. Mag. 50:157-175)."""
    from scipy import stats

    test = stats.chisquare(counts)
    return DigitTest(float(test.statistic), float(test.pvalue))


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


def _matches(own: pl.DataFrame, numeric: list[str], lag: int) -> pl.Series:
    """For each entry but the first `lag`: whether it matches the one `lag` before it."""
    same = [(pl.col(name) == pl.col(name).shift(lag)) for name in numeric]
    equal = pl.sum_horizontal([each.fill_null(False).cast(pl.Int64) for each in same])
    differ = pl.any_horizontal([(~each).fill_null(False) for each in same])
    return own.select((equal >= LEAST_EQUAL) & ~differ).to_series().slice(lag)


def _examples(rows: pl.DataFrame) -> tuple[str, ...]:
    return tuple(rows.get_column("session_id").head(3).to_list())


def _poisson_tail(count: float, mean: float) -> float:
    from scipy import stats

    return float(stats.poisson.sf(count - 1, mean))


def _poisson_head(count: float, mean: float) -> float:
    from scipy import stats

    return float(stats.poisson.cdf(count, mean))
