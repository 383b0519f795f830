"""Find whether the day, the month or the year comes first in the dates of an export."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl

from analysis.intake.convert.month_names import with_month_numbers

Order = Literal["dmy", "mdy", "ymd"]
YEAR_LAST = r"(?i)^(\d{1,2})[-/. ]+(\d{1,2})[-/. ]+(\d{4}|\d{2})\.?"
_YEAR_FIRST = r"^\d{4}-\d"
_CLEAR_MAJORITY = 10
"""How many dates must agree for each one that contradicts."""
_MAX_YEARS = 9
"""A log covers at most this many years; days of the month cover more numbers."""


@dataclass(frozen=True)
class DateOrder:
    """The order of the dates; None if they can be read both ways, with an example of such a date."""

    order: Order | None
    example: str | None = None


def file_date_order(cells: pl.DataFrame) -> DateOrder:
    """The order in the first column that decides it.

    If none does, day first and an ambiguous date with its heading; None if every date starts with the year.
    """
    example = None
    for column in cells.select(pl.col(pl.String)).iter_columns():
        order = column_date_order(column)
        if order.order in ("dmy", "mdy"):
            return DateOrder(order.order)
        if order.order is None:
            example = example or f"{column.name}: {order.example}"
    return DateOrder("dmy" if example else None, example)


def column_date_order(cells: pl.Series) -> DateOrder:
    """The order in a column of texts."""
    dates = cells.drop_nulls()
    if dates.str.contains(_YEAR_FIRST).all():
        return DateOrder("ymd")
    return order_of_dates(with_month_numbers(dates.unique(maintain_order=True)))


def order_of_dates(texts: pl.Series) -> DateOrder:
    """The order among dates in digits: a number above 12 is a day.

    "ymd" if no date ends with its year, and "dmy" if day and month are equal in every date.
    """
    parts = texts.to_frame("text").select("text", part=pl.col("text").str.extract_groups(YEAR_LAST)).unnest("part")
    numbers = parts.select("text", *(pl.col(group).cast(pl.Int64) for group in ("1", "2", "3"))).drop_nulls()
    if numbers.is_empty():
        return DateOrder("ymd")
    first, second, last = (numbers[group] for group in ("1", "2", "3"))
    if _starts_with_year(first, second, last):
        return DateOrder("ymd")
    day_first, month_first = int(((first > 12) & (second <= 12)).sum()), int(((second > 12) & (first <= 12)).sum())
    if day_first > _CLEAR_MAJORITY * month_first:
        return DateOrder("dmy")
    if month_first > _CLEAR_MAJORITY * day_first:
        return DateOrder("mdy")
    ambiguous = numbers.filter((first <= 12) & (second <= 12) & (first != second))
    if ambiguous.is_empty() and not (day_first or month_first):
        return DateOrder("dmy")
    return DateOrder(None, str((ambiguous if ambiguous.height else numbers)["text"][0]))


def _starts_with_year(first: pl.Series, second: pl.Series, last: pl.Series) -> bool:
    """Whether two-digit years come first: nearly every date can be read so, and the first number varies least."""
    possible = (second <= 12) & (last <= 31)
    if possible.sum() < 0.9 * len(possible):
        return False
    spans = [part.filter(possible).to_numpy() for part in (first, last)]
    first_span, last_span = (int(span.max() - span.min()) for span in spans)
    return bool((first > 31).any()) or first_span <= _MAX_YEARS < last_span
