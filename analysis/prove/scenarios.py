"""Which simulated workshops a validation consists of, their seeds fixed in advance."""

from __future__ import annotations

from dataclasses import dataclass

WITH_EFFECTS = (
    "base", "stand readings predict nothing", "effects not seen in stand readings", "first 30 days only", "strong confounding",
    "30% not recorded", "repeats", "loglinear",
)  # fmt: skip
WITHOUT_EFFECT = ("no step matters", "loglinear, no step matters")
SIGNS_OF_NO_USE = ("stand readings predict nothing", "effects not seen in stand readings")
EQUAL_PEOPLE = "equal people"
CHANGES, UNCHANGED = "one busy shop changes", "one busy shop"
CO_OPERATIVE = "the co-operative"
FEW_GROUPS = {
    "two technicians": "technician",
    "three technicians": "technician",
    "four technicians": "technician",
    "two shops": "shop",
    "three shops": "shop",
}
"""Families of few equal groups, and the kind of group that is compared."""
ONE_OF_FIVE, ONE_OF_THREE = "one of five at twice the hazard", "one of three shops worse"
GAPS = ("a shop stops writing returns", "a shop starts writing returns late")
CALENDARS = ("season of 30%", "months differ", "volume grows fourfold", "season, growth and months that differ")
GROUP_FAMILIES = (*FEW_GROUPS, ONE_OF_FIVE, ONE_OF_THREE, *GAPS, *CALENDARS)
THREE_EQUAL = "three equal technicians"
COACHED_FUTILE, COACHED_WORKS = "habits wander, coaching without effect", "habits wander, coaching with effect"
TRIAL_FUTILE, TRIAL_WORKS = "a trial by workshop that does nothing", "a trial by workshop that works"
PEOPLE_FAMILIES = (THREE_EQUAL, COACHED_FUTILE, COACHED_WORKS, TRIAL_FUTILE, TRIAL_WORKS)
SKIPS, SKIPS_HARMLESS = "few first bubbles skip a pass", "few first bubbles skip a pass that does nothing"
STOPS = "the last pass stops with bubbles"
UNSEEN, RECORDED_LATE = "unseen difficulty", "misses recorded once the bike is back"
STEP_FAMILIES = (SKIPS, SKIPS_HARMLESS, STOPS, UNSEEN, RECORDED_LATE)
"""Families where what is seen steers the work, or something unseen is behind misses and comebacks."""
LARGE_SESSIONS = 6000
BUSY_SESSIONS, CO_OPERATIVE_SESSIONS = 3900, 6000
FIRST_SEED = 50_000
WHOLE_FROM = 1000
"""A validation of smaller workshops is a trial run, without technicians, changes, recording and the calendar."""


@dataclass(frozen=True)
class ProofWorkshop:
    """One simulated workshop to audit: its family, bleeds and seed."""

    family: str
    sessions: int
    seed: int

    @property
    def name(self) -> str:
        return f"{self.family.replace(' ', '-').replace(',', '').replace('%', '')}-{self.sessions}-{self.seed}"


def proof_workshops(workshops: int, sessions: int) -> list[ProofWorkshop]:
    """`workshops` seeds of every family.

    Workshops for step costs, equal technicians, groups and calendars have `sessions` bleeds. Whatever `sessions` is, a
    planted change is in one workshop of 130 bleeds a month, the co-operative is as large as its planted problems need,
    and one technician of five and trials by workshop have 6,000 bleeds. With fewer than 1,000 `sessions`, technicians,
    changes, recording and the calendar are left out.
    """
    sizes = dict.fromkeys((*WITH_EFFECTS, *WITHOUT_EFFECT, EQUAL_PEOPLE), sessions)
    if sessions >= WHOLE_FROM:
        sizes |= {CHANGES: BUSY_SESSIONS, UNCHANGED: BUSY_SESSIONS, CO_OPERATIVE: CO_OPERATIVE_SESSIONS}
        sizes |= dict.fromkeys(GROUP_FAMILIES, sessions)
        sizes |= dict.fromkeys((*PEOPLE_FAMILIES, *STEP_FAMILIES), sessions)
        sizes |= dict.fromkeys((ONE_OF_FIVE, TRIAL_FUTILE, TRIAL_WORKS), LARGE_SESSIONS)
    return [ProofWorkshop(name, size, FIRST_SEED + i) for name, size in sizes.items() for i in range(workshops)]
