"""Which day is the as-of date of a log: small cases, from which RULES.md is printed."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class DayCase:
    """Days of bleeds and of returns, the day requested with --as-of, and the result.

    `as_of` is the as-of date, or None where the run stops; `rejected` are the days of rejected rows.
    """

    because: str
    bleeds: tuple[str, ...]
    returns: tuple[str, ...]
    requested: str | None
    as_of: str | None
    rejected: tuple[str, ...] = ()


DAY_CASES = [
    DayCase("the newest bleed", ("2026-01-05", "2026-01-09"), (), None, "2026-01-09"),
    DayCase("the newest return, if it is later", ("2026-01-05",), ("2026-02-01",), None, "2026-02-01"),
    DayCase("60 days after the one before it", ("2026-01-05", "2026-03-06"), (), None, "2026-03-06"),
    DayCase("61 days after the one before it: the run stops", ("2026-01-05", "2026-03-07"), (), None, None),
    DayCase("61 days between older dates do not matter", ("2026-01-05", "2026-03-07", "2026-03-08"), (), None,
            "2026-03-08"),
    DayCase("an isolated date, but --as-of is given", ("2026-01-05", "2026-09-07"), (), "2026-09-07", "2026-09-07"),
    DayCase("a single day", ("2026-01-05",), (), None, "2026-01-05"),
    DayCase("the day of --as-of counts", ("2026-01-05", "2026-01-09"), (), "2026-01-09", "2026-01-09"),
    DayCase("the end of the day of --as-of counts", ("2026-01-05", "2026-01-09T23:59"), (), "2026-01-09", "2026-01-09"),
    DayCase("a later bleed is rejected", ("2026-01-05", "2026-01-09"), (), "2026-01-08", "2026-01-08",
            ("2026-01-09",)),
    DayCase("a later return is rejected", ("2026-01-05",), ("2026-01-09",), "2026-01-08", "2026-01-08",
            ("2026-01-09",)),
    DayCase("--as-of before all dates: the run stops", ("2026-01-05",), (), "2026-01-04", None),
    DayCase("a day before 1990 is rejected and makes no gap", ("1989-12-31", "2026-01-05"), (), None, "2026-01-05",
            ("1989-12-31",)),
    DayCase("the first day of 1990 is accepted", ("1990-01-01",), (), None, "1990-01-01"),
]  # fmt: skip
