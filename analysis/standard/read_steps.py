"""The steps of a standard: each a field, one rule that suits it, and how a miss does harm."""

from __future__ import annotations

from typing import Any

from analysis.standard.grammar import Place, refuse_unknown, value_of, words_of
from analysis.standard.rules import (
    AboveField,
    AtLeastField,
    Between,
    BrakeLimits,
    Equals,
    Is,
    Kind,
    Limits,
    Rule,
    fields_read,
)
from analysis.standard.standard import Step, Where
from schemas import dictionary
from schemas.log import Brakes, Sessions

FIELDS = {entry.name: entry for entry in dictionary("sessions", Sessions)}
BRAKE_FIELDS = {entry.name for entry in dictionary("brakes", Brakes) if entry.type == "number"}
SIGN_WORDS = ("travel", "pump_gain", "bubbles", "hard_pull", "leak")
RULE_KEYS = ("is", "min", "max", "equals", "above_field", "at_least_field", "brake_limits")
STEP_KEYS = ("id", "title", "missed_title", "field", "acts", "alters", "worse_where", "else", *RULE_KEYS)
PLACES = {name: entry.levels for name, entry in FIELDS.items() if entry.role == "context" and entry.levels}
_KINDS: dict[str, Kind] = {"true/false": "true/false", "number": "number", "whole number": "number", "text": "text"}


def steps_told(told: Any, top: Place, own_fields: tuple[str, ...]) -> tuple[Step, ...]:
    """The steps in the order they stand; at least one, each id once."""
    if not isinstance(told, list) or not told or not all(isinstance(step, dict) for step in told):
        raise top.refusal(
            "step is not a list of steps", "one [[step]] for each step", "write [[step]], twice bracketed", "step"
        )
    steps = tuple(_step(step, top.step(number, step), own_fields) for number, step in enumerate(told, 1))
    seen: set[str] = set()
    for number, step in enumerate(steps, 1):
        if step.id in seen or step.id in ("", "session_id"):
            found = f"the id {step.id!r} is used twice" if step.id in seen else f"the id {step.id!r} names no step"
            raise top.step(number, told[number - 1]).refusal(found, "one step an id", "rename one", "id")
        seen.add(step.id)
    return steps


def _step(told: dict[str, Any], place: Place, own_fields: tuple[str, ...]) -> Step:
    refuse_unknown(told, STEP_KEYS, place)
    name = value_of(told, "id", place, str)
    field = _field(told, "field", place, own_fields)
    rule = _rule(told, place, own_fields)
    _refuse_unfit(field, rule, place)
    acts = value_of(told, "acts", place, str, default="air")
    if acts not in ("air", "leak"):
        raise place.refusal(f"acts = {acts!r}", '"air" or "leak"', "name one of the two", "acts")
    title = value_of(told, "title", place, str, default=name.replace("_", " "))
    return Step(
        id=name,
        title=title,
        missed_title=value_of(told, "missed_title", place, str, default=f"Missed: {title}"),
        field=field,
        rule=rule,
        acts=acts,
        alters=words_of(told, "alters", place, SIGN_WORDS, ()),
        worse_where=_where(told, place),
    )


def _where(told: dict[str, Any], place: Place) -> Where | None:
    """One context field at one of its levels, or none."""
    if "worse_where" not in told:
        return None
    given, key = told["worse_where"], "worse_where"
    if not isinstance(given, dict) or len(given) != 1:
        raise place.refusal(f"{key} = {given!r}", '{ hose_route = "internal" }', "name one field and level", key)
    field, level = next(iter(given.items()))
    if field not in PLACES:
        raise place.refusal(f"{key} names {field!r}", "one of " + ", ".join(PLACES), "name a field of the work", key)
    if level not in PLACES[field]:
        raise place.refusal(f"{field} = {level!r}", "one of " + ", ".join(PLACES[field]), "name a level of it", key)
    return Where(field, level)


def _field(told: dict[str, Any], key: str, place: Place, own_fields: tuple[str, ...]) -> str:
    field: str = value_of(told, key, place, str)
    if field not in FIELDS and field not in own_fields:
        known = "a field of the log, or own.<name> that the map declares"
        raise place.refusal(f"{key} = {field!r} is no field of a bleed", known, "see: rebleed fields", key)
    return field


def _rule(told: dict[str, Any], place: Place, own_fields: tuple[str, ...]) -> Rule:
    given = [key for key in RULE_KEYS if key in told]
    kinds = [key for key in given if key not in ("min", "max")] or (["limits"] if given else [])
    bounded = kinds in (["brake_limits"], ["limits"])
    if len(kinds) != 1 or (not bounded and ("min" in told or "max" in told)):
        found = "no rule" if not given else f"more than one rule: {', '.join(given)}"
        raise place.refusal(found, "one rule a step", f"keep one of {', '.join(RULE_KEYS)}")
    if "else" in told and kinds != ["at_least_field"]:
        raise place.refusal("else without at_least_field", "else beside at_least_field alone", "remove it", "else")
    if bounded:
        return _limits_rule(told, place, kinds[0])
    if kinds == ["is"]:
        return Is(value_of(told, "is", place, bool))
    if kinds == ["equals"]:
        return _equals(told, place)
    other = _field(told, kinds[0], place, own_fields)
    if kinds == ["above_field"]:
        return AboveField(other)
    return AtLeastField(other, value_of(told, "else", place, float))


def _equals(told: dict[str, Any], place: Place) -> Equals:
    value = told["equals"]
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise place.refusal(f"equals = {value!r}", "a number or a text", "for true or false write: is = true", "equals")
    return Equals(value if isinstance(value, str) else value_of(told, "equals", place, float))


def _limits_rule(told: dict[str, Any], place: Place, kind: str) -> Rule:
    lo, hi = (value_of(told, key, place, float) if key in told else None for key in ("min", "max"))
    if lo is not None and hi is not None and lo > hi:
        raise place.refusal(f"min = {lo:g} is above max = {hi:g}", "min at most max", "swap them", "min")
    if kind == "limits":
        return Between(Limits(lo, hi))
    names = words_of(told, "brake_limits", place, sorted(BRAKE_FIELDS), None)
    if len(names) != 2:
        asked = "two number fields of the brakes table, the lower limit's first"
        raise place.refusal(f"brake_limits = {list(names)!r}", asked, "name both", "brake_limits")
    return BrakeLimits(names[0], names[1], Limits(lo, hi))


def _refuse_unfit(field: str, rule: Rule, place: Place) -> None:
    """A rule on numbers needs a number field, a yes or no one a true/false field; own fields are seen with the log."""
    for name in (field, *fields_read(rule)):
        entry = FIELDS.get(name)
        if entry is None:
            continue
        if _KINDS.get(entry.type) != rule.kind():
            raise place.refusal(
                f"the rule is for a {rule.kind()} and {name} holds a {entry.type}",
                f"a field that holds a {rule.kind()}",
                "see: rebleed fields",
                "field",
            )
        if isinstance(rule, Equals) and entry.levels and rule.value not in entry.levels:
            raise place.refusal(
                f"equals = {rule.value!r} is no value of {name}",
                "one of " + ", ".join(entry.levels),
                "mend it",
                "equals",
            )
