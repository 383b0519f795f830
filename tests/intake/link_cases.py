"""Which bleed a return belongs to: small cases of one bike, from which RULES.md is printed."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class LinkCase:
    """Bleeds (ID, brake, start, reason for the job) of bike B, one return (named bleed, brake, time), its bleed.

    `rejected` are IDs of rejected bleeds.
    """

    because: str
    bleeds: tuple[tuple[str, ...], ...]
    back: tuple[str | None, str | None, str]
    bleed: str | None
    rejected: tuple[str, ...] = ()
    bike: str = "B"


FRONT = (("S1", "front", "2026-01-05"),)
TWICE = (("S1", "front", "2026-01-05"), ("S2", "front", "2026-02-05"))
REPAIR = (("S1", "front", "2026-01-05"), ("S2", "front", "2026-02-05", "comeback"))
SERVICE = (("S1", "front", "2026-01-05"), ("S2", "front", "2026-02-05", "scheduled"))
TIMED = (("S1", "front", "2026-01-05"), ("S2", "front", "2026-02-05T09:00", "comeback"))
BOTH = (("S1", "front", "2026-01-05"), ("S2", "rear", "2026-01-06"))

LINK_CASES = [
    LinkCase("the latest earlier bleed of the brake", TWICE, (None, "front", "2026-03-01"), "S2"),
    LinkCase("a bleed after the return does not count", TWICE, (None, "front", "2026-01-20"), "S1"),
    LinkCase("the same day counts if no time is recorded", FRONT, (None, "front", "2026-01-05"), "S1"),
    LinkCase("a bleed of that day for a comeback is the repair", REPAIR, (None, "front", "2026-02-05"), "S1"),
    LinkCase("even if no earlier bleed is in the log", REPAIR[1:], (None, "front", "2026-02-05"), None),
    LinkCase("a bleed of that day for another reason came first", SERVICE, (None, "front", "2026-02-05"), "S2"),
    LinkCase(
        "its reason not recorded, it is the repair of an earlier bleed", TWICE, (None, "front", "2026-02-05"), "S1"
    ),
    LinkCase("both times recorded, they decide", TIMED, (None, "front", "2026-02-05T15:00"), "S2"),
    LinkCase("no brake named, the repair of the only one", REPAIR, (None, None, "2026-02-05"), "S1"),
    LinkCase("no bleed before the return", FRONT, (None, "front", "2026-01-04"), None),
    LinkCase("the other brake", FRONT, (None, "rear", "2026-02-01"), None),
    LinkCase("another bike", FRONT, (None, "front", "2026-02-01"), None, bike="C"),
    LinkCase("no brake named, only one was bled", FRONT, (None, None, "2026-02-01"), "S1"),
    LinkCase("no brake named, both were bled", BOTH, (None, None, "2026-02-01"), None),
    LinkCase("no brake named, the other was bled only afterwards", BOTH, (None, None, "2026-01-05"), "S1"),
    LinkCase("a named bleed takes precedence over a later one", TWICE, ("S1", "front", "2026-03-01"), "S1"),
    LinkCase("the named bleed is after the return", TWICE, ("S2", "front", "2026-01-20"), None),
    LinkCase("the named bleed is of another bike", FRONT, ("S1", "front", "2026-02-01"), None, bike="C"),
    LinkCase("the named bleed was rejected", FRONT, ("S9", "front", "2026-02-01"), None, rejected=("S9",)),
    LinkCase("the named bleed is unknown: as if none were named", FRONT, ("S77", "front", "2026-02-01"), "S1"),
    LinkCase(
        "both have a time: the bleed was earlier that day",
        (("S1", "front", "2026-01-05T09:00"),),
        (None, "front", "2026-01-05T15:00"),
        "S1",
    ),
    LinkCase(
        "both have a time: the bleed was later that day",
        (("S1", "front", "2026-01-05T16:00"),),
        (None, "front", "2026-01-05T15:00"),
        None,
    ),
    LinkCase(
        "a return without a time may belong to any bleed of its day",
        (("S1", "front", "2026-01-05T16:00"),),
        (None, "front", "2026-01-05"),
        "S1",
    ),
    LinkCase(
        "a bleed without a time is earlier than any time of its day",
        FRONT,
        (None, "front", "2026-01-05T00:10"),
        "S1",
    ),
]
