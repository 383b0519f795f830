"""The as-of date: the last day the exports cover. It is the newest date in them unless it is given."""

from __future__ import annotations

import datetime as dt

import polars as pl

from analysis.errors import UserError

MAX_GAP_DAYS = 60
"""A newest date further than this from the one before stops the run, if no other gap of the log is as long; a requested
day this long after the last date is pointed out (common practice, no source)."""
UNUSUAL_GAP, MIN_GAP_DAYS, ISOLATED_SHARE = 2.0, 7, 0.005
"""A gap is unusual if it is this many times the longest one before it and these days; at most this share of rows after such a gap is
pointed out (common practice, no source)."""
AFTER_TODAY = "is after today"
"""In the warning about a last day that has not come yet."""


def as_of_date(days: pl.Series, requested: dt.date | None) -> dt.date:
    """The as-of date of a log.

    Parameters
    ----------
    days
        The days of its bleeds and returns.
    requested
        The day given by the user, or None.

    Raises
    ------
    UserError
        There is no date; the newest is more than 60 days after the one before, which looks like a typing error; the
        requested day is before all dates.
    """
    distinct = days.drop_nulls().unique().sort()
    if requested is not None:
        if len(distinct) and requested < distinct[0]:
            raise UserError(
                "--as-of",
                f"{requested} is before all dates in the exports",
                f"{distinct[0]} or later",
                "give the day on which the exports were made",
            )
        return requested
    if not len(distinct):
        raise UserError(
            "the exports",
            "no bleed or return has a valid date",
            "dates since 1990",
            "correct the dates, or date_order in the map",
        )
    newest = distinct[-1]
    gaps = distinct.diff().dt.total_days().drop_nulls()
    if len(gaps) and gaps[-1] > max(MAX_GAP_DAYS, gaps[:-1].max() or 0):
        raise UserError(
            "the as-of date",
            f"the last date ({newest}) is more than {MAX_GAP_DAYS} days after the one before ({distinct[-2]})",
            "the last day the exports cover",
            f"if it is a typing error, use --as-of {distinct[-2]}; if it is correct, use --as-of {newest}",
        )
    return newest


def as_of_warnings(days: pl.Series, requested: dt.date | None, today: dt.date | None = None) -> list[str]:
    """Warn of a last day after today, of a few isolated dates at the end, or of a day long after the last date."""
    rows = days.drop_nulls().sort()
    if rows.is_empty():
        return []
    newest = rows[-1]
    last = requested or newest
    if today is not None and last > today:
        subject = f"--as-of {last}" if requested else f"the last date in the exports ({last})"
        right = rows.filter(rows <= today)
        day = min(today, right[-1] if len(right) else today)
        return [
            f"{subject} {AFTER_TODAY} ({today}): bleeds count as followed until then; if it is wrong, use --as-of {day}"
        ]
    if requested is not None:
        late = (requested - newest).days
        if late <= MAX_GAP_DAYS:
            return []
        return [
            f"the as-of date {requested} is {late:,} days after the last date in the exports ({newest}); check --as-of"
        ]
    return _isolated_end(rows)


def _isolated_end(rows: pl.Series) -> list[str]:
    """Warn of the first gap among the last rows that is unusual for this log."""
    most = int(ISOLATED_SHARE * len(rows)) + 1
    gaps = rows.diff().dt.total_days().fill_null(0).to_list()
    first = max(len(rows) - most, 2)
    longest = max(gaps[:first])
    for place in range(first, len(rows)):
        if gaps[place] > max(UNUSUAL_GAP * longest, MIN_GAP_DAYS):
            day, newest = rows[place - 1], rows[-1]
            return [
                f"the last date is {newest}, but only {len(rows) - place} of {len(rows):,} dates are after {day}: a gap of "
                f"{gaps[place]} days, where no other is longer than {longest}; if they are typing errors, use --as-of {day}"
            ]
        longest = max(longest, gaps[place])
    return []
