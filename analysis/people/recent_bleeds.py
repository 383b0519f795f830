"""The recent bleeds that coaching cards are about, and the steps that somebody has come to miss less often."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.stats import FloatArray, benjamini_hochberg, chi_square_tail, design_effect_within_groups

RECENT_DAYS, RECENT_BLEEDS = 365, 150
MIN_SIDE, IMPROVED_Q = 10, 0.05
MIN_TRIES = 12
"""Splits counted as tried in a log of less than a year: even 60 bleeds of two months have about as many different ones."""
IMPROVEMENTS = {
    "technician": pl.String, "step": pl.String, "improved_since": pl.Date, "share_before": pl.Float64,
    "recorded_before": pl.Int64,
}  # fmt: skip


@dataclass(frozen=True)
class RecentBleeds:
    """Misses of every step, empty before the bleeds that count, and who has come to miss which step less often.

    `first_day` holds each technician's first day that counts; `improvements` one row per technician and step.
    """

    missed: pl.DataFrame = field(repr=False)
    first_day: dict[str, dt.date] = field(repr=False)
    improvements: pl.DataFrame = field(repr=False)


def recent_bleeds(data: BleedData) -> RecentBleeds:
    """Select each technician's bleeds of the last 12 months, or the last 150 if these are fewer.

    A step that somebody clearly came to miss less often counts from that bleed on. The bleed is the split of all their
    bleeds with the highest likelihood ratio, at least 10 on each side; its p-value is the chi-square tail of that ratio over
    the design effect of days within both sides, times the number of months, at least 12 (Bonferroni: splits within a
    month are nearly the same), with Benjamini-Hochberg over all technicians and steps at 5%.
    """
    bleeds = data.bleeds.select("session_id", "technician", "age_days", day=pl.col("started_at").dt.date())
    newest = pl.col("day").rank("ordinal", descending=True).over("technician")
    counts = bleeds.select((pl.col("age_days") <= RECENT_DAYS) & (newest <= RECENT_BLEEDS)).to_series()
    first_day = dict(bleeds.filter(counts).group_by("technician").agg(pl.col("day").min()).iter_rows())
    improvements = _find_improvements(bleeds, data.missed)
    missed = data.missed.with_columns(
        pl.when(counts).then(pl.col(step)).alias(step) for step in data.missed.columns if step != "session_id"
    )
    for row in improvements.iter_rows(named=True):
        before = (bleeds["technician"] == row["technician"]) & (bleeds["day"] < row["improved_since"])
        missed = missed.with_columns(pl.when(~before).then(pl.col(row["step"])).alias(row["step"]))
    return RecentBleeds(missed, first_day, improvements)


def _find_improvements(bleeds: pl.DataFrame, missed: pl.DataFrame) -> pl.DataFrame:
    steps = missed.columns[1:]
    values = missed.select(steps).cast(pl.Float64).fill_null(float("nan")).to_numpy()
    order = bleeds.with_row_index("place").sort("technician", "day", "place")
    rows, p_values = [], []
    for (technician,), own in order.group_by("technician", maintain_order=True):
        days = own.get_column("day")
        months = days.dt.strftime("%Y-%m").n_unique()
        day_numbers = days.to_physical().to_numpy()
        for step, column in zip(steps, values[own.get_column("place").to_numpy()].T, strict=True):
            split = best_split(column)
            if split is None:
                continue
            place, statistic, before, recorded = split
            p_values.append(split_p_value(column, (place, statistic), day_numbers, months))
            rows.append((technician, step, days[place], before, recorded))
    clear = benjamini_hochberg(np.array(p_values)) <= IMPROVED_Q if p_values else np.array([], dtype=bool)
    return pl.DataFrame(rows, schema=IMPROVEMENTS, orient="row").filter(pl.Series(clear, dtype=pl.Boolean))


def best_split(column: FloatArray) -> tuple[int, float, float, int] | None:
    """Where misses (1, 0, NaN not recorded; in order of time) fall most: the row from which they are fewer.

    Returns the row, twice the log likelihood ratio, and the share missed before it with the number recorded; None without
    a fall or with fewer than 10 recorded on each side.
    """
    recorded = np.flatnonzero(np.isfinite(column))
    size = len(recorded)
    if size < 2 * MIN_SIDE:
        return None
    hits = np.cumsum(column[recorded])
    before = np.arange(MIN_SIDE, size - MIN_SIDE + 1)
    hits_before, total = hits[before - 1], float(hits[-1])
    after = size - before
    falls = hits_before / before > (total - hits_before) / after
    gain = _log_likelihood(hits_before, before) + _log_likelihood(total - hits_before, after)
    statistic = np.where(falls, 2 * (gain - _log_likelihood(np.array([total]), np.array([size]))), -1.0)
    best = int(statistic.argmax())
    if statistic[best] <= 0:
        return None
    number = int(before[best])
    return int(recorded[number]), float(statistic[best]), float(hits_before[best] / number), number


def split_p_value(column: FloatArray, split: tuple[int, float], day: NDArray[np.int64], months: int) -> float:
    """p-value of the best split (its row and statistic) of `column`, given each row's day and the number of months."""
    usable, since = np.isfinite(column), np.arange(len(column)) >= split[0]
    effect = design_effect_within_groups(column[usable], since[usable].astype(np.int64), day[usable])
    return min(float(chi_square_tail(split[1] / effect.ratio, 1)) * max(months, MIN_TRIES), 1.0)


def _log_likelihood(hits: FloatArray, trials: NDArray[np.int64]) -> FloatArray:
    """Binomial log likelihood at the observed share, without the constant."""
    share = hits / trials
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(hits > 0, hits * np.log(share), 0.0) + np.where(
            hits < trials, (trials - hits) * np.log1p(-share), 0.0
        )
    return np.asarray(terms)
