"""The shop's written procedure: steps, what counts as a re-bleed comeback, what a comeback and a check cost; as plain
dictionaries and back, so that a saved model can hold it.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Literal

from analysis.standard.rules import AboveField, AtLeastField, Between, BrakeLimits, Equals, Is, Limits, Rule, limits_of
from schemas.field import PLACES

PLACE_ORDER: tuple[str, ...] = tuple(PLACES)

MAX_STEPS_SHOWN = 30
RULES: dict[str, type] = {kind.__name__: kind for kind in (Is, Between, Equals, AboveField, AtLeastField, BrakeLimits)}
LIMIT_FIELDS = ("limits", "usual")


@dataclass(frozen=True)
class WorkCondition:
    """A kind of work: one level of a context field, such as hose_route = internal."""

    field: str
    level: str


@dataclass(frozen=True)
class Step:
    """One step of the procedure.

    `title` names the step done right, `missed_title` what went wrong when it is missed. `acts` is how a miss does
    harm: by trapped `air`, which the stand readings show, or by a `leak`, which they do not. `acts_on` names stand
    readings that the step changes directly (a lever set further out travels further without any air).
    `place` is when it is done (`schemas.field.PLACES`). `interacts_with` is the kind of work on which a miss is
    expected to do more harm, declared before seeing results. `never_looser` marks a maker's limit, which is never to be
    moved outwards.
    """

    id: str
    title: str
    missed_title: str
    field: str
    rule: Rule
    acts: Literal["air", "leak"] = "air"
    acts_on: tuple[str, ...] = ()
    interacts_with: WorkCondition | None = None
    place: str = "preparation"
    never_looser: bool = False

    def is_after(self, place: str) -> bool:
        """Whether the step is done later than this place in time."""
        return PLACE_ORDER.index(self.place) > PLACE_ORDER.index(place)

    @property
    def limits(self) -> Limits:
        return limits_of(self.rule)


@dataclass(frozen=True)
class ComebackRule:
    """Which returns count as a re-bleed comeback, and what one costs where the return records no minutes or parts."""

    complaints: tuple[str, ...]
    findings: tuple[str, ...]
    exclude_findings: tuple[str, ...]
    minutes: float
    parts_cost: float


@dataclass(frozen=True)
class SecondCheck:
    """A second check before a bike leaves.

    Bench minutes, probability of finding a fault, capacity per week, days between two worklists, and minutes to bring a
    bike back for it (0 where bikes are checked before they leave).
    """

    minutes: float
    sensitivity: float
    per_week: float
    worklist_days: int
    recall_minutes: float = 0.0

    @property
    def cost(self) -> float:
        """Minutes of one check with the bike brought back for it."""
        return self.minutes + self.recall_minutes

    def break_even_risk(self, comeback_minutes: float) -> float:
        """The risk from which a check saves more minutes than it costs; 1 where none does."""
        saved = self.sensitivity * comeback_minutes
        return min(self.cost / saved, 1.0) if saved > 0 else 1.0


@dataclass(frozen=True)
class TravelRecall:
    """When lever travel alone recalls a brake, whatever the hard pull says.

    Longer than `times_usual` the median of firm brakes of that model, of which there must be `min_bleeds`; or more than
    `worse_mm` longer after the bleed than before it.
    """

    times_usual: float
    worse_mm: float
    min_bleeds: int


@dataclass(frozen=True, repr=False)
class Standard:
    """The shop's written procedure; `fluid_replacements` lists the fluids that may replace a required one.

    `adopted_on` is the first day on which it applied (None: always), `shops` the workshops it applies to (empty: all).
    `earlier` holds other versions: each bleed is judged against the version for its day and workshop, and reported under the
    steps of this one.
    """

    window_days: int
    currency: str
    minute_cost: float
    comeback: ComebackRule
    second_check: SecondCheck
    travel_recall: TravelRecall
    steps: tuple[Step, ...]
    fluid_replacements: dict[str, tuple[str, ...]] = field(default_factory=dict)
    name: str = "built in"
    adopted_on: dt.date | None = None
    shops: tuple[str, ...] = ()
    earlier: tuple[Standard, ...] = ()

    @property
    def missed_titles(self) -> dict[str, str]:
        """What went wrong when a step is missed, by the step's ID."""
        return {step.id: step.missed_title for step in self.steps}

    def __repr__(self) -> str:
        steps = (f"  {step.id}: {step.title}" for step in self.steps[:MAX_STEPS_SHOWN])
        head = f"Procedure {self.name}: {len(self.steps)} steps, each bleed followed for {self.window_days} days"
        return "\n".join([head, *steps, *(["  …"] if len(self.steps) > MAX_STEPS_SHOWN else [])])


def standard_to_dict(standard: Standard) -> dict[str, Any]:
    """Convert a standard to dictionaries, lists, strings and numbers, without its earlier versions."""
    content = {**asdict(replace(standard, earlier=())), "steps": [_step_to_dict(step) for step in standard.steps]}
    content |= {"adopted_on": standard.adopted_on and standard.adopted_on.isoformat(), "shops": list(standard.shops)}
    content["earlier"] = []
    content["fluid_replacements"] = {fluid: list(others) for fluid, others in standard.fluid_replacements.items()}
    return content


def standard_from_dict(table: dict[str, Any]) -> Standard:
    """Rebuild a standard from the result of `standard_to_dict`.

    Raises
    ------
    KeyError, TypeError
        A key is missing or unknown.
    """
    comeback: dict[str, Any] = {k: tuple(v) if isinstance(v, list | tuple) else v for k, v in table["comeback"].items()}
    whole = {
        **table,
        "comeback": ComebackRule(**comeback),
        "second_check": SecondCheck(**table["second_check"]),
        "travel_recall": TravelRecall(**table["travel_recall"]),
        "steps": tuple(_step_from_dict(step) for step in table["steps"]),
        "fluid_replacements": {fluid: tuple(others) for fluid, others in table["fluid_replacements"].items()},
    }
    day = table.get("adopted_on")
    whole |= {"adopted_on": day and dt.date.fromisoformat(day), "shops": tuple(table.get("shops", ())), "earlier": ()}
    return Standard(**whole)


def _step_to_dict(step: Step) -> dict[str, Any]:
    return {**asdict(step), "rule": {"kind": type(step.rule).__name__, **asdict(step.rule)}}


def _step_from_dict(table: dict[str, Any]) -> Step:
    rule = dict(table["rule"])
    kind = RULES[rule.pop("kind")]
    rule_value: Rule = kind(
        **{name: Limits(**value) if name in LIMIT_FIELDS else value for name, value in rule.items()}
    )
    condition = table["interacts_with"] and WorkCondition(**table["interacts_with"])
    return Step(**{**table, "rule": rule_value, "acts_on": tuple(table["acts_on"]), "interacts_with": condition})
