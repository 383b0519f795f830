"""Does the day stand first or the month? What the dates of a column tell of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl

from analysis.intake.convert.month_names import with_month_numbers

Order = Literal["dmy", "mdy", "ymd"]
YEAR_LAST = r"(?i)^(\d{1,2})[-/. ]+(\d{1,2})[-/. ]+(\d{4}|\d{2})\.?"
_YEAR_FIRST = r"^\d{4}-\d"
_SURELY = 10
"""How many times as many dates must speak for one order where single ones speak against it."""
_YEARS = 9
"""A log covers fewer years than this; days of the month span more."""


@dataclass(frozen=True)
class DateOrder:
    """What a column tells of its order: `order` None where its dates would read either way, and an example of one."""

    order: Order | None
    example: str | None


def column_date_order(cells: pl.Series) -> DateOrder:
    """Day or month first, as far as a column of texts decides it."""
    dates = cells.drop_nulls()
    if dates.str.contains(_YEAR_FIRST).all():
        return DateOrder("ymd", None)
    return order_of_dates(with_month_numbers(dates.unique(maintain_order=True)))


def order_of_dates(texts: pl.Series) -> DateOrder:
    """Day or month first among dates in digits: a first number above 12 is a day, a second one too.

    Where no date ends with its year there is nothing to decide ("ymd"); neither is there where day and month are the
    same in every one ("dmy").
    """
    parts = texts.to_frame("text").select("text", part=pl.col("text").str.extract_groups(YEAR_LAST)).unnest("part")
    number = parts.select("text", *(pl.col(place).cast(pl.Int64) for place in ("1", "2", "3"))).drop_nulls()
    if number.is_empty():
        return DateOrder("ymd", None)
    first, second, last = (number[place] for place in ("1", "2", "3"))
    day_first, month_first = int(((first > 12) & (second <= 12)).sum()), int(((second > 12) & (first <= 12)).sum())
    if _year_first(first, second, last):
        return DateOrder("ymd", None)
    if day_first > _SURELY * month_first or (day_first and not month_first):
        return DateOrder("dmy", None)
    if month_first > _SURELY * day_first or (month_first and not day_first):
        return DateOrder("mdy", None)
    either = number.filter((first <= 12) & (second <= 12) & (first != second))
    if either.is_empty() and not (day_first or month_first):
        return DateOrder("dmy", None)
    return DateOrder(None, str((either if either.height else number)["text"][0]))


def _year_first(first: pl.Series, second: pl.Series, last: pl.Series) -> bool:
    """Whether two-digit years stand first: nearly every date reads so, and it is the first number that moves little."""
    reads = (second <= 12) & (last <= 31)
    if reads.mean() < 0.9:  # type: ignore[operator]
        return False
    span, last_span = (int(part.filter(reads).max()) - int(part.filter(reads).min()) for part in (first, last))  # type: ignore[arg-type]
    return bool((first > 31).any()) or (span <= _YEARS < last_span)
