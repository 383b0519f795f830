"""The [[step]] tables of a standard: each has a field, one rule that suits it, and how a miss does harm."""

from __future__ import annotations

from typing import Any

from analysis.standard.definition import Step, WorkCondition
from analysis.standard.grammar import TomlLocation, read_value, read_words, reject_unknown_keys
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
from schemas import dictionary
from schemas.log import Brakes, Sessions

FIELDS = {entry.name: entry for entry in dictionary("sessions", Sessions)}
BRAKE_FIELDS = {entry.name for entry in dictionary("brakes", Brakes) if entry.type == "number"}
STEP_PLACES = ("preparation", "first pass", "passes", "closing", "after")
STAND_READINGS = ("travel", "pump_gain", "bubbles", "hard_pull", "leak")
RULE_KEYS = ("is", "min", "max", "equals", "above_field", "at_least_field", "brake_limits")
STEP_KEYS = (
    "id",
    "title",
    "missed_title",
    "field",
    "acts",
    "acts_on",
    "interacts_with",
    "place",
    "never_looser",
    "else",
    *RULE_KEYS,
)
CONDITION_LEVELS = {name: entry.levels for name, entry in FIELDS.items() if entry.role == "context" and entry.levels}
_KINDS: dict[str, Kind] = {"true/false": "true/false", "number": "number", "whole number": "number", "text": "text"}


def parse_steps(table: Any, root: TomlLocation, own_fields: tuple[str, ...]) -> tuple[Step, ...]:
    """Read the steps in file order; at least one, each id once."""
    if not isinstance(table, list) or not table or not all(isinstance(step, dict) for step in table):
        problem = "step is not a list of steps"
        raise root.error(problem, "one [[step]] table for each step", "write [[step]] with double brackets", "step")
    steps: tuple[Step, ...] = ()
    for number, step in enumerate(table, 1):
        usual_place = steps[-1].place if steps else STEP_PLACES[0]
        steps += (_step(step, root.step(number, step), own_fields, usual_place),)
    ids: set[str] = set()
    for number, step in enumerate(steps, 1):
        if step.id in ids or step.id in ("", "session_id"):
            problem = f"the id {step.id!r} is used twice" if step.id in ids else f"{step.id!r} cannot be a step's id"
            expected = "a different id for each step"
            raise root.step(number, table[number - 1]).error(problem, expected, "choose another id", "id")
        ids.add(step.id)
    return steps


def _step(table: dict[str, Any], location: TomlLocation, own_fields: tuple[str, ...], usual_place: str) -> Step:
    """Read one step; without a place of its own or of its field, it has `usual_place`."""
    reject_unknown_keys(table, STEP_KEYS, location)
    name = read_value(table, "id", location, str)
    field = _field(table, "field", location, own_fields)
    rule = _rule(table, location, own_fields)
    _check_rule_suits_field(field, rule, location)
    acts = read_value(table, "acts", location, str, default="air")
    if acts not in ("air", "leak"):
        raise location.error(f"acts = {acts!r}", '"air" or "leak"', "write one of the two", "acts")
    title = read_value(table, "title", location, str, default=name.replace("_", " "))
    return Step(
        id=name,
        title=title,
        missed_title=read_value(table, "missed_title", location, str, default=f"Missed: {title}"),
        field=field,
        rule=rule,
        acts=acts,
        acts_on=read_words(table, "acts_on", location, STAND_READINGS, ()),
        interacts_with=_condition(table, location),
        place=_place(table, location, field, usual_place),
        never_looser=read_value(table, "never_looser", location, bool, default=False),
    )


def _place(table: dict[str, Any], location: TomlLocation, field: str, usual_place: str) -> str:
    """When the step is done: as written, else when its field comes about, else `usual_place`."""
    if "place" not in table:
        own = FIELDS[field].place if field in FIELDS else ""
        return own if own in STEP_PLACES else usual_place
    place: str = read_value(table, "place", location, str)
    if place not in STEP_PLACES:
        raise location.error(f"place = {place!r}", "one of " + ", ".join(STEP_PLACES), "see: rebleed fields", "place")
    return place


def _condition(table: dict[str, Any], location: TomlLocation) -> WorkCondition | None:
    """The kind of work in `interacts_with`: one context field and one of its levels; None where there is none."""
    if "interacts_with" not in table:
        return None
    condition, key = table["interacts_with"], "interacts_with"
    if not isinstance(condition, dict) or len(condition) != 1:
        raise location.error(
            f"{key} = {condition!r}", '{ hose_route = "internal" }', "write one field and one value", key
        )
    field, level = next(iter(condition.items()))
    if field not in CONDITION_LEVELS:
        fields = "one of " + ", ".join(CONDITION_LEVELS)
        raise location.error(f"{key} contains {field!r}", fields, "choose one of these fields", key)
    if level not in CONDITION_LEVELS[field]:
        levels = "one of " + ", ".join(CONDITION_LEVELS[field])
        raise location.error(f"{field} = {level!r}", levels, "choose one of these values", key)
    return WorkCondition(field, level)


def _field(table: dict[str, Any], key: str, location: TomlLocation, own_fields: tuple[str, ...]) -> str:
    field: str = read_value(table, key, location, str)
    if field not in FIELDS and field not in own_fields:
        expected = "a field of the bleeds, or own.<name> from the map's own fields"
        raise location.error(f"{key} = {field!r} is not a field of a bleed", expected, "see: rebleed fields", key)
    return field


def _rule(table: dict[str, Any], location: TomlLocation, own_fields: tuple[str, ...]) -> Rule:
    keys = [key for key in RULE_KEYS if key in table]
    kinds = [key for key in keys if key not in ("min", "max")] or (["limits"] if keys else [])
    bounded = kinds in (["brake_limits"], ["limits"])
    if len(kinds) != 1 or (not bounded and ("min" in table or "max" in table)):
        problem = "the step has no rule" if not keys else f"more than one rule: {', '.join(keys)}"
        raise location.error(problem, "one rule per step", f"keep one of {', '.join(RULE_KEYS)}")
    if "else" in table and kinds != ["at_least_field"]:
        raise location.error(
            "else without at_least_field", "else together with at_least_field only", "delete else", "else"
        )
    if bounded:
        return _limits_rule(table, location, kinds[0])
    if kinds == ["is"]:
        return Is(read_value(table, "is", location, bool))
    if kinds == ["equals"]:
        return _equals(table, location)
    other = _field(table, kinds[0], location, own_fields)
    if kinds == ["above_field"]:
        return AboveField(other)
    return AtLeastField(other, read_value(table, "else", location, float))


def _equals(table: dict[str, Any], location: TomlLocation) -> Equals:
    value = table["equals"]
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise location.error(f"equals = {value!r}", "a number or a text", "for true or false write is = true", "equals")
    return Equals(value if isinstance(value, str) else read_value(table, "equals", location, float))


def _limits_rule(table: dict[str, Any], location: TomlLocation, kind: str) -> Rule:
    lo, hi = (read_value(table, key, location, float) if key in table else None for key in ("min", "max"))
    if lo is not None and hi is not None and lo > hi:
        raise location.error(f"min = {lo:g} is above max = {hi:g}", "min no greater than max", "swap the two", "min")
    if kind == "limits":
        return Between(Limits(lo, hi))
    names = read_words(table, "brake_limits", location, sorted(BRAKE_FIELDS), None)
    if len(names) != 2:
        expected = "two number fields of the brakes table, lower limit first"
        raise location.error(f"brake_limits = {list(names)!r}", expected, "write both fields", "brake_limits")
    return BrakeLimits(names[0], names[1], Limits(lo, hi))


def _check_rule_suits_field(field: str, rule: Rule, location: TomlLocation) -> None:
    """Check each field's type; the shop's own fields have none until the log is read."""
    for name in (field, *fields_read(rule)):
        entry = FIELDS.get(name)
        if entry is None:
            continue
        if _KINDS.get(entry.type) != rule.kind():
            raise location.error(
                f"the rule needs {rule.kind()} and {name} contains {entry.type}",
                f"a field that contains {rule.kind()}",
                "see: rebleed fields",
                "field",
            )
        if isinstance(rule, Equals) and entry.levels and rule.value not in entry.levels:
            raise location.error(
                f"equals = {rule.value!r} is not a value of {name}",
                "one of " + ", ".join(entry.levels),
                "correct the value",
                "equals",
            )
