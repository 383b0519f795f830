"""The shop's written procedure as values: its steps, what counts as a re-bleed, what a comeback and a check cost."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from analysis.standard.rules import Limits, Rule, limits_of


@dataclass(frozen=True)
class WorkCondition:
    """A kind of work: a context field at one of its levels."""

    field: str
    level: str


@dataclass(frozen=True)
class Step:
    """One step of the procedure.

    `title` names the step done right, `missed_title` what went wrong when it is missed.
    `interacts_with` declares, before any figure is seen, on what work a miss is thought to do more harm.
    `acts` says how a miss does harm: `air`, which the lever shows on the stand, or `leak`, which works past the signs.
    `acts_on` names signs that the step changes by itself (a reach set further out reads longer without any air).
    """

    id: str
    title: str
    missed_title: str
    field: str
    rule: Rule
    acts: Literal["air", "leak"] = "air"
    acts_on: tuple[str, ...] = ()
    interacts_with: WorkCondition | None = None

    @property
    def limits(self) -> Limits:
        return limits_of(self.rule)


@dataclass(frozen=True)
class ComebackRule:
    """Which returns count as a re-bleed comeback, and what one costs where a return tells neither."""

    complaints: tuple[str, ...]
    findings: tuple[str, ...]
    exclude_findings: tuple[str, ...]
    minutes: float
    parts_cost: float


@dataclass(frozen=True)
class SecondCheck:
    """A second check before a bike leaves: bench minutes, chance to find the fault, how many there is time for."""

    minutes: float
    sensitivity: float
    per_week: float
    worklist_days: int


@dataclass(frozen=True)
class Standard:
    """The shop's written procedure; `fluid_replacements` names what may stand in for a required fluid."""

    window_days: int
    currency: str
    minute_cost: float
    comeback: ComebackRule
    second_check: SecondCheck
    steps: tuple[Step, ...]
    fluid_replacements: dict[str, tuple[str, ...]] = field(default_factory=dict)
    name: str = "built in"
