"""Which simulated workshops a proof is made of, their seeds fixed in advance."""

from __future__ import annotations

from dataclasses import dataclass

WITH_EFFECTS = (
    "base", "signs say nothing", "effects bypass the signs", "first 30 days only", "strong confounding",
    "30% not recorded", "repeats", "loglinear",
)  # fmt: skip
WITHOUT_EFFECT = ("no step matters", "loglinear, no step matters")
SIGNS_OF_NO_USE = ("signs say nothing", "effects bypass the signs")
EQUAL_PEOPLE = "equal people"
CHANGES, CHANGES_NOT = "one busy shop changes", "one busy shop"
CO_OPERATIVE = "the co-operative"
BUSY_SESSIONS, CO_OPERATIVE_SESSIONS = 3900, 6000
FIRST_SEED = 50_000
WHOLE_FROM = 1000
"""A proof of smaller workshops is a trial run, without the larger worlds of people and changes."""


@dataclass(frozen=True)
class World:
    """One simulated workshop to audit: its family, bleeds and seed."""

    family: str
    sessions: int
    seed: int

    @property
    def name(self) -> str:
        return f"{self.family.replace(' ', '-').replace(',', '').replace('%', '')}-{self.sessions}-{self.seed}"


def proof_worlds(workshops: int, sessions: int) -> list[World]:
    """`workshops` seeds of every family.

    Worlds for step costs and for equal people have `sessions` bleeds. Those for a planted change are one shop of 130
    bleeds a month, and the co-operative is as large as it is told, whatever `sessions`; with fewer than 1,000 they are
    left out.
    """
    sizes = dict.fromkeys((*WITH_EFFECTS, *WITHOUT_EFFECT, EQUAL_PEOPLE), sessions)
    if sessions >= WHOLE_FROM:
        sizes |= {CHANGES: BUSY_SESSIONS, CHANGES_NOT: BUSY_SESSIONS, CO_OPERATIVE: CO_OPERATIVE_SESSIONS}
    return [World(name, size, FIRST_SEED + i) for name, size in sizes.items() for i in range(workshops)]
