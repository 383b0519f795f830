"""Linking of returns and the rules of days, drawn as small tables of one bike; the printed rules are these cases."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class LinkCase:
    """Bleeds (id, brake, start) of bike B, one return (written id, brake, when), and the bleed it answers to.

    `aside` are ids of bleeds that were set aside.
    """

    because: str
    bleeds: tuple[tuple[str, str, str], ...]
    back: tuple[str | None, str | None, str]
    bleed: str | None
    aside: tuple[str, ...] = ()
    bike: str = "B"


FRONT = (("S1", "front", "2026-01-05"),)
TWICE = (("S1", "front", "2026-01-05"), ("S2", "front", "2026-02-05"))
BOTH = (("S1", "front", "2026-01-05"), ("S2", "rear", "2026-01-06"))

LINK_CASES = [
    LinkCase("the latest earlier bleed of the brake", TWICE, (None, "front", "2026-03-01"), "S2"),
    LinkCase("a bleed after the return is passed over", TWICE, (None, "front", "2026-01-20"), "S1"),
    LinkCase("the same day counts where no hour is known", FRONT, (None, "front", "2026-01-05"), "S1"),
    LinkCase("no bleed before it", FRONT, (None, "front", "2026-01-04"), None),
    LinkCase("the other brake", FRONT, (None, "rear", "2026-02-01"), None),
    LinkCase("another bike", FRONT, (None, "front", "2026-02-01"), None, bike="C"),
    LinkCase("no brake named, one alone was bled", FRONT, (None, None, "2026-02-01"), "S1"),
    LinkCase("no brake named, both were bled", BOTH, (None, None, "2026-02-01"), None),
    LinkCase("no brake named, the other was bled only later", BOTH, (None, None, "2026-01-05"), "S1"),
    LinkCase("a written bleed wins over a later one", TWICE, ("S1", "front", "2026-03-01"), "S1"),
    LinkCase("a written bleed that is later is no answer", TWICE, ("S2", "front", "2026-01-20"), None),
    LinkCase("a written bleed of another bike is no answer", FRONT, ("S1", "front", "2026-02-01"), None, bike="C"),
    LinkCase(
        "a written bleed that was set aside is not passed on", FRONT, ("S9", "front", "2026-02-01"), None, aside=("S9",)
    ),
    LinkCase("an unknown written id counts as none", FRONT, ("S77", "front", "2026-02-01"), "S1"),
    LinkCase(
        "by the hour where both have one: earlier that day",
        (("S1", "front", "2026-01-05T09:00"),),
        (None, "front", "2026-01-05T15:00"),
        "S1",
    ),
    LinkCase(
        "by the hour where both have one: later that day",
        (("S1", "front", "2026-01-05T16:00"),),
        (None, "front", "2026-01-05T15:00"),
        None,
    ),
    LinkCase(
        "a return without an hour answers to any bleed of its day",
        (("S1", "front", "2026-01-05T16:00"),),
        (None, "front", "2026-01-05"),
        "S1",
    ),
    LinkCase(
        "a bleed without an hour is earlier than any hour of its day",
        FRONT,
        (None, "front", "2026-01-05T00:10"),
        "S1",
    ),
]
