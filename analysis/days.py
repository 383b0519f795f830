"""Days as callers give them: dates, or text."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from analysis.errors import UserError

if TYPE_CHECKING:
    import polars as pl

Day = dt.date | str


def parse_day(value: Day | None, name: str) -> dt.date | None:
    """A date, or one written as text.

    Raises
    ------
    UserError
        It is not a date.
    """
    if isinstance(value, dt.datetime):
        return value.date()
    if value is None or isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(value)
    except (TypeError, ValueError) as error:
        raise UserError(
            name, f"{value!r} is not a date", "a date such as 2026-06-30", "write year-month-day"
        ) from error


def quarter_of(day: pl.Expr) -> pl.Expr:
    """`2025-Q3`, as tables have it; readers see `2025 Q3`."""
    import polars as pl

    return pl.format("{}-Q{}", day.dt.year(), day.dt.quarter())
