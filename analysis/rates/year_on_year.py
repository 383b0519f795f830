"""The comeback rate of the last year that was followed in full against that of the year before."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from analysis.dataset import BleedData
from analysis.stats import Z95, Interval, pearson_dispersion, share_difference, student_quantile

YEAR = dt.timedelta(days=365)
MIN_SHARE_OF_YEAR = 0.9


@dataclass(frozen=True)
class YearCounts:
    """Bleeds of one year with complete follow-up, and how many came back, by month; first and last day."""

    bleeds_by_month: tuple[int, ...]
    comebacks_by_month: tuple[int, ...]
    first: dt.date
    last: dt.date

    @property
    def bleeds(self) -> int:
        return sum(self.bleeds_by_month)

    @property
    def comebacks(self) -> int:
        return sum(self.comebacks_by_month)

    @property
    def rate(self) -> float:
        return self.comebacks / self.bleeds

    @property
    def days(self) -> str:
        """`2 April 2025 to 1 April 2026`."""
        return " to ".join(f"{day.day} {day:%B %Y}" for day in (self.first, self.last))


@dataclass(frozen=True)
class YearOnYear:
    """The last year with complete follow-up, the year before, and the 95% limits of the change in the rate."""

    now: YearCounts
    before: YearCounts
    limits: Interval


def year_on_year(data: BleedData) -> YearOnYear | None:
    """Compare the last two years with complete follow-up; None if the log does not cover both."""
    now, before = _year_counts(data, 0), _year_counts(data, 1)
    return None if now is None or before is None else YearOnYear(now, before, year_change(now, before))


def _year_counts(data: BleedData, years_ago: int) -> YearCounts | None:
    """The last year with complete follow-up, or an earlier one; None if less than nine tenths of it is in the log."""
    bleeds = data.bleeds.filter("mature").select("came_back", day=pl.col("started_at").dt.date())
    if bleeds.is_empty():
        return None
    first, last = bleeds.select(first=pl.col("day").min(), last=pl.col("day").max()).row(0)
    last = min(last, data.as_of - dt.timedelta(days=data.window_days)) - years_ago * YEAR
    own = bleeds.filter((pl.col("day") > last - YEAR) & (pl.col("day") <= last))
    if own.is_empty() or first > last - MIN_SHARE_OF_YEAR * YEAR:
        return None
    months = own.group_by(pl.col("day").dt.truncate("1mo")).agg(pl.len(), back=pl.col("came_back").sum()).sort("day")
    first = max(first, last - YEAR + dt.timedelta(days=1))
    return YearCounts(tuple(months.get_column("len")), tuple(months.get_column("back")), first, last)


def year_change(now: YearCounts, before: YearCounts) -> Interval:
    """95% limits of the change in the rate between two years.

    Newcombe's interval (`stats.share_difference`) of counts divided by the dispersion of the months within both years
    (Pearson's chi-square over its degrees of freedom), if above 1, with Student's t for its estimate (P. McCullagh &
    J. A. Nelder 1989, Generalized Linear Models, sect. 4.5).
    """
    k = np.array(before.comebacks_by_month + now.comebacks_by_month, dtype=float)
    n = np.array(before.bleeds_by_month + now.bleeds_by_month, dtype=float)
    dispersion, freedom = pearson_dispersion(k, n, len(before.bleeds_by_month) - 1), max(len(k) - 2, 1)
    shrink = 1 / (dispersion * (student_quantile(0.975, freedom) / Z95) ** 2) if dispersion > 1 else 1.0
    first, second = ((year.comebacks * shrink, year.bleeds * shrink) for year in (now, before))
    return share_difference(first, second)
