"""Follow-up as small tables: bleeds and returns of one brake, and how the first bleed's time at risk ended."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Case:
    """Bleeds S1, S2 … of one brake; `expected` is (end, days at risk, came back, days to next bleed) of S1.

    The as-of date is 2026-06-30 and the window 90 days.
    """

    because: str
    bleeds: tuple[tuple[str, dict[str, Any]], ...]
    returns: tuple[tuple[str, dict[str, Any]], ...] = ()
    expected: tuple[str, int, bool, int | None] = ("as_of", 0, False, None)
    links: tuple[str | None, ...] = field(default=())


def at(day: str, **others: Any) -> tuple[str, dict[str, Any]]:
    return day, others


CASES = [
    Case("nothing happened", (at("2026-01-01"),), expected=("as_of", 180, False, None)),
    Case("a soft lever within the window", (at("2026-01-01"),), (at("2026-01-11"),), ("return", 10, True, None)),
    Case("day 90 is within the window", (at("2026-01-01"),), (at("2026-04-01"),), ("return", 90, True, None)),
    Case(
        "day 91 is a return outside the window", (at("2026-01-01"),), (at("2026-04-02"),), ("return", 91, False, None)
    ),
    Case("on the day of the bleed", (at("2026-01-01"),), (at("2026-01-01"),), ("return", 0, True, None)),
    Case(
        "worn pads are not a comeback",
        (at("2026-01-01"),),
        (at("2026-01-11", finding="pads"),),
        ("as_of", 180, False, None),
    ),
    Case(
        "a noise complaint counts if air was found",
        (at("2026-01-01"),),
        (at("2026-01-11", complaint="noise", finding="air"),),
        ("return", 10, True, None),
    ),
    Case(
        "a later bleed ends the time at risk",
        (at("2026-01-01"), at("2026-02-01", job_reason="scheduled")),
        expected=("next_bleed", 31, False, 31),
    ),
    Case(
        "a re-bleed for a soft lever counts as a return on the day it was done",
        (at("2026-01-01"), at("2026-02-01", job_reason="soft_lever")),
        expected=("return", 31, True, None),
    ),
    Case(
        "outside the window such a re-bleed is only the next bleed",
        (at("2026-01-01"), at("2026-05-01", job_reason="comeback")),
        expected=("next_bleed", 120, False, 120),
    ),
    Case(
        "a recorded return between the two bleeds counts instead",
        (at("2026-01-01"), at("2026-02-01", job_reason="comeback")),
        (at("2026-01-30"),),
        ("return", 29, True, None),
    ),
    Case(
        "the repair itself is not the next bleed",
        (at("2026-01-01"), at("2026-02-01", job_reason="comeback"), at("2026-03-01", job_reason="scheduled")),
        expected=("return", 31, True, 59),
    ),
    Case(
        "an unmatched return does not count",
        (at("2026-01-01"),),
        (at("2026-01-11"),),
        ("as_of", 180, False, None),
        links=(None,),
    ),
    Case(
        "long lever travel counts as a comeback",
        (at("2026-01-01"),),
        (at("2026-01-11", complaint="long_travel"),),
        ("return", 10, True, None),
    ),
    Case(
        "a worn part overrides the complaint",
        (at("2026-01-01"),),
        (at("2026-01-11", finding="worn_part"),),
        ("as_of", 180, False, None),
    ),
    Case(
        "the first of two returns ends the time at risk",
        (at("2026-01-01"),),
        (at("2026-03-01"), at("2026-01-11")),
        ("return", 10, True, None),
    ),
    Case(
        "a return on the day of the next bleed comes first",
        (at("2026-01-01"), at("2026-02-01", job_reason="scheduled")),
        (at("2026-02-01"),),
        ("return", 31, True, None),
    ),
    Case(
        "a bleed before the return ends the time at risk, but the return counts",
        (at("2026-01-01"), at("2026-02-01", job_reason="scheduled")),
        (at("2026-02-10"),),
        ("next_bleed", 31, True, 31),
    ),
    Case(
        "already returned for another cause: the re-bleed is not counted again",
        (at("2026-01-01"), at("2026-02-01", job_reason="soft_lever")),
        (at("2026-01-30", finding="pads"),),
        ("next_bleed", 31, False, 31),
    ),
    Case(
        "bled again on the same day for a comeback",
        (at("2026-01-01"), at("2026-01-01", job_reason="comeback")),
        expected=("return", 0, True, None),
    ),
    Case(
        "a re-bleed for a comeback on day 90 counts",
        (at("2026-01-01"), at("2026-04-01", job_reason="comeback")),
        expected=("return", 90, True, None),
    ),
    Case(
        "a re-bleed for dirty fluid is not a return",
        (at("2026-01-01"), at("2026-02-01", job_reason="dirty_fluid")),
        expected=("next_bleed", 31, False, 31),
    ),
]
