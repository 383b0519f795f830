"""The days on which returns were written down, and whether the log itself shows fewer of them than of bleeds."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import polars as pl

from analysis.intake import Log

MONTH_DAYS = 31
"""Returns that start later, or stop earlier, than bleeds by more than this are said."""


@dataclass(frozen=True)
class Covered:
    """The days on which returns were written down; None where nothing limits them but the log itself."""

    returns_from: dt.date | None = None
    returns_to: dt.date | None = None


EVERY_DAY = Covered()


@dataclass(frozen=True)
class CoveredTime:
    """The first and last day of bleeds and of returns (None where there are none) and what is to be said of them."""

    first_bleed: dt.date | None
    last_bleed: dt.date | None
    first_return: dt.date | None
    last_return: dt.date | None
    starts_late: bool
    stops_early: bool
    words: tuple[str, ...]


def covered_time(log: Log, covered: Covered = EVERY_DAY) -> CoveredTime:
    """Whether returns start later or stop earlier than bleeds by more than a month (31 days).

    Where they do and `covered` does not say so already, `words` say it and name the option that mends it: without it
    a bleed outside would pass for one that held.

    Parameters
    ----------
    log
        Accepted bleeds and returns.
    covered
        The days on which returns were written down, as far as told.
    """
    first_bleed, last_bleed = _ends(log.sessions.get_column("started_at"))
    first_return, last_return = _ends(log.comebacks.get_column("returned_at"))
    late = covered.returns_from is None and _days(first_bleed, first_return) > MONTH_DAYS
    early = covered.returns_to is None and _days(last_return, last_bleed) > MONTH_DAYS
    words = []
    if late:
        words.append(
            f"Returns begin on {first_return}, bleeds on {first_bleed}: if returns were not written down before, "
            f"say --returns-from {first_return}, so that earlier bleeds are not counted as successes."
        )
    if early:
        words.append(
            f"Returns end on {last_return}, bleeds on {last_bleed}: if returns were not written down after, "
            f"say --returns-to {last_return}, so that later bleeds are not counted as successes."
        )
    return CoveredTime(first_bleed, last_bleed, first_return, last_return, late, early, tuple(words))


def _ends(moments: pl.Series) -> tuple[dt.date | None, dt.date | None]:
    days = moments.dt.date()
    return days.min(), days.max()  # type: ignore[return-value]


def _days(earlier: dt.date | None, later: dt.date | None) -> int:
    return (later - earlier).days if earlier and later else 0
