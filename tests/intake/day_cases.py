"""The rules of days, drawn as small logs; the printed rules are these cases."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class DayCase:
    """Days of bleeds and of returns, the as-of date given, and what follows.

    `as_of` is the day the log stands on, or None where the run stops; `aside` are the days set aside.
    """

    because: str
    bleeds: tuple[str, ...]
    returns: tuple[str, ...]
    given: str | None
    as_of: str | None
    aside: tuple[str, ...] = ()


DAY_CASES = [
    DayCase("the newest bleed", ("2026-01-05", "2026-01-09"), (), None, "2026-01-09"),
    DayCase("the newest return, if it is later", ("2026-01-05",), ("2026-02-01",), None, "2026-02-01"),
    DayCase("60 days after the one before it", ("2026-01-05", "2026-03-06"), (), None, "2026-03-06"),
    DayCase("61 days after the one before it: asked", ("2026-01-05", "2026-03-07"), (), None, None),
    DayCase("61 days between older dates do not matter", ("2026-01-05", "2026-03-07", "2026-03-08"), (), None,
            "2026-03-08"),
    DayCase("a lonely date, but the as-of date is given", ("2026-01-05", "2026-09-07"), (), "2026-09-07", "2026-09-07"),
    DayCase("one day alone is no gap", ("2026-01-05",), (), None, "2026-01-05"),
    DayCase("the given day counts", ("2026-01-05", "2026-01-09"), (), "2026-01-09", "2026-01-09"),
    DayCase("late on the given day counts", ("2026-01-05", "2026-01-09T23:59"), (), "2026-01-09", "2026-01-09"),
    DayCase("a later bleed is set aside", ("2026-01-05", "2026-01-09"), (), "2026-01-08", "2026-01-08",
            ("2026-01-09",)),
    DayCase("a later return is set aside", ("2026-01-05",), ("2026-01-09",), "2026-01-08", "2026-01-08",
            ("2026-01-09",)),
    DayCase("a given day before every date: refused", ("2026-01-05",), (), "2026-01-04", None),
    DayCase("a day before 1990 is set aside and asks nothing", ("1989-12-31", "2026-01-05"), (), None, "2026-01-05",
            ("1989-12-31",)),
    DayCase("the first day of 1990 is read", ("1990-01-01",), (), None, "1990-01-01"),
]  # fmt: skip
