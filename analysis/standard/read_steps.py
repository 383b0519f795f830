"""The [[step]] tables of a standard: each has a field, one rule that suits it, and how a miss does harm.

Values are checked for kind and range; an error names the file, line and key.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from analysis.errors import UserError
from analysis.standard.definition import Step, WorkCondition
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
    other_fields_of_rule,
)
from schemas import field_entries
from schemas.log import Brakes, Sessions

MAX_NUMBER = 1_000_000_000
"""So that no sum over a log can overflow."""
MAX_TEXT_LENGTH = 200
"""Characters of a title, which is printed in charts and tables."""
_MAX_QUOTED_LENGTH = 60
_KINDS = {int: "a whole number", float: "a number", str: "text in quotes", bool: "true or false"}
FIELDS = {entry.name: entry for entry in field_entries("sessions", Sessions)}
BRAKE_FIELDS = {entry.name for entry in field_entries("brakes", Brakes) if entry.type == "number"}
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
_KIND_OF_TYPE: dict[str, Kind] = {
    "true/false": "true/false",
    "number": "number",
    "whole number": "number",
    "text": "text",
}


@dataclass(frozen=True)
class TomlLocation:
    """A table of a TOML file, for error messages."""

    file: str
    text: str
    table: str
    first_line: int = 1

    def at(self, table: str) -> TomlLocation:
        """The location of a table within this one."""
        name = f"{self.table}.{table}" if self.table else table
        return replace(
            self, table=name, first_line=_find_line(self.text, rf"^\s*\[\[?\s*{re.escape(name)}\s*\]", self.first_line)
        )

    def step(self, number: int, table: Mapping[str, Any]) -> TomlLocation:
        """The location of a [[step]] table, numbered from 1."""
        starts = [m.start() for m in re.finditer(r"(?m)^[ \t]*\[\[[ \t]*step[ \t]*\]\]", self.text)]
        first = self.text.count("\n", 0, starts[number - 1]) + 1 if number <= len(starts) else 1
        return replace(
            self, table=f"step {number} ({str(table.get('id', 'no id'))[:_MAX_QUOTED_LENGTH]})", first_line=first
        )

    def error(self, problem: str, expected: str, remedy: str, key: str = "") -> UserError:
        """An error at the line of `key`, or at the first line of the table."""
        line = _find_line(self.text, rf"^\s*{re.escape(key)}\s*=", self.first_line) if key else self.first_line
        where = f"{self.file}, line {line}" + (f", {self.table}" if self.table else "")
        return UserError(where, problem, expected, remedy)


def reject_unknown_keys(table: Mapping[str, Any], keys: Iterable[str], location: TomlLocation) -> None:
    """Raise UserError at the first key that is not one of `keys`."""
    keys = tuple(keys)
    for key in table:
        if key not in keys:
            raise location.error(f"unknown key {key!r}", "one of " + ", ".join(keys), "correct or delete the key", key)


def read_value(
    table: Mapping[str, Any],
    key: str,
    location: TomlLocation,
    kind: type,
    *,
    allowed: tuple[float | None, float | None] = (None, None),
    default: Any = None,
) -> Any:
    """The value of `key`, of `kind` and within the `allowed` limits.

    `default` where the key is absent (None: it is required).
    """
    if key not in table:
        if default is None:
            raise location.error(f"{key} is missing", f"{key} = {_KINDS[kind]}", "add the key")
        return default
    value = table[key]
    fits = isinstance(value, int | float if kind is float else kind) and (kind is bool or not isinstance(value, bool))
    if not fits or value != value or value in (float("inf"), -float("inf")):
        raise location.error(f"{key} = {_quote_value(value)}", _KINDS[kind], "correct the value", key)
    if kind in (int, float) and abs(value) > MAX_NUMBER:
        raise location.error(f"{key} = {_quote_value(value)}", f"at most {MAX_NUMBER:,}", "correct the value", key)
    if kind is str and len(value) > MAX_TEXT_LENGTH:
        problem = f"{key} is {len(value):,} characters long"
        raise location.error(problem, f"at most {MAX_TEXT_LENGTH} characters", "shorten the text", key)
    if kind is str and not value.isprintable():
        raise location.error(
            f"{key} = {_quote_value(value)}", "one line of text without control characters", "write it again", key
        )
    low, high = allowed
    if (low is not None and value < low) or (high is not None and value > high):
        limits = f"{low:g} or more" if high is None else f"{low:g} to {high:g}"
        raise location.error(f"{key} = {value!r}", limits, "correct the value", key)
    return float(value) if kind is float else value


def read_words(
    table: Mapping[str, Any], key: str, location: TomlLocation, levels: Iterable[str], default: tuple[str, ...] | None
) -> tuple[str, ...]:
    """The list of words under `key`, each one of `levels`; `default` where it is absent (None: the key is required)."""
    if key not in table and default is not None:
        return default
    value = table.get(key)
    if not isinstance(value, list) or not all(isinstance(word, str) for word in value):
        raise location.error(f"{key} = {value!r}", "a list of words in quotes", f'write {key} = ["…"]', key)
    for word in value:
        if word not in levels:
            raise location.error(f"{key} contains {word!r}", "one of " + ", ".join(levels), "correct the word", key)
    return tuple(value)


def read_table(table: Mapping[str, Any], key: str, location: TomlLocation) -> dict[str, Any]:
    """The table under `key`; empty where there is none."""
    value = table.get(key, {})
    if not isinstance(value, dict):
        raise location.error(f"{key} is not a table", f"[{key}] with its keys below", "write it as a table", key)
    return value


def _quote_value(value: Any) -> str:
    """A value shortened for a message; Python refuses to print whole numbers with thousands of digits."""
    if isinstance(value, int) and abs(value) > MAX_NUMBER**6:
        return "a whole number of more than 54 digits"
    text = repr(value)
    return text if len(text) <= _MAX_QUOTED_LENGTH else f"{text[:_MAX_QUOTED_LENGTH]}…"


def _find_line(text: str, pattern: str, first: int) -> int:
    lines = text.split("\n")
    for number in range(first, len(lines) + 1):
        if re.search(pattern, lines[number - 1]):
            return number
    return first


def parse_steps(table: Any, root: TomlLocation, own_fields: tuple[str, ...] | None) -> tuple[Step, ...]:
    """Read the steps in file order; at least one, each id once."""
    if not isinstance(table, list) or not table or not all(isinstance(step, dict) for step in table):
        problem = "step is not a list of steps"
        raise root.error(problem, "one [[step]] table for each step", "write [[step]] with double brackets", "step")
    steps: tuple[Step, ...] = ()
    for number, step in enumerate(table, 1):
        usual_place = steps[-1].place if steps else STEP_PLACES[0]
        steps += (_read_step(step, root.step(number, step), own_fields, usual_place),)
    ids: set[str] = set()
    for number, step in enumerate(steps, 1):
        if step.id in ids or step.id in ("", "session_id") or not step.id.isprintable():
            problem = f"the id {step.id!r} is used twice" if step.id in ids else f"{step.id!r} cannot be a step's id"
            expected = "a different id for each step"
            raise root.step(number, table[number - 1]).error(problem, expected, "choose another id", "id")
        ids.add(step.id)
    return steps


def _read_step(
    table: dict[str, Any], location: TomlLocation, own_fields: tuple[str, ...] | None, usual_place: str
) -> Step:
    """Read one step; without a place of its own or of its field, it has `usual_place`."""
    reject_unknown_keys(table, STEP_KEYS, location)
    name = read_value(table, "id", location, str)
    field = _read_field(table, "field", location, own_fields)
    rule = _read_rule(table, location, own_fields)
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
        interacts_with=_read_work_condition(table, location),
        place=_read_place(table, location, field, usual_place),
        never_looser=read_value(table, "never_looser", location, bool, default=False),
    )


def _read_place(table: dict[str, Any], location: TomlLocation, field: str, usual_place: str) -> str:
    """When the step is done: as written, else when its field comes about, else `usual_place`."""
    if "place" not in table:
        own = FIELDS[field].place if field in FIELDS else ""
        return own if own in STEP_PLACES else usual_place
    place: str = read_value(table, "place", location, str)
    if place not in STEP_PLACES:
        raise location.error(f"place = {place!r}", "one of " + ", ".join(STEP_PLACES), "see: rebleed fields", "place")
    return place


def _read_work_condition(table: dict[str, Any], location: TomlLocation) -> WorkCondition | None:
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


def _read_field(table: dict[str, Any], key: str, location: TomlLocation, own_fields: tuple[str, ...] | None) -> str:
    field: str = read_value(table, key, location, str)
    is_own = field.startswith("own.") and field[4:].isidentifier() if own_fields is None else field in own_fields
    if field not in FIELDS and not is_own:
        expected = "a field of the bleeds, or own.<name> for a custom field of the map"
        raise location.error(f"{key} = {field!r} is not a field of a bleed", expected, "see: rebleed fields", key)
    return field


def _read_rule(table: dict[str, Any], location: TomlLocation, own_fields: tuple[str, ...] | None) -> Rule:
    keys = [key for key in RULE_KEYS if key in table]
    kinds = [key for key in keys if key not in ("min", "max")] or (["limits"] if keys else [])
    bounded = kinds in (["brake_limits"], ["limits"])
    if len(kinds) != 1 or (not bounded and ("min" in table or "max" in table)):
        problem = "the step has no rule" if not keys else f"more than one rule: {', '.join(keys)}"
        raise location.error(problem, "one rule per step", f"give exactly one of {', '.join(RULE_KEYS)}")
    if "else" in table and kinds != ["at_least_field"]:
        raise location.error(
            "else without at_least_field", "else together with at_least_field only", "delete else", "else"
        )
    if bounded:
        return _read_limits_rule(table, location, kinds[0])
    if kinds == ["is"]:
        return Is(read_value(table, "is", location, bool))
    if kinds == ["equals"]:
        return _read_equals_rule(table, location)
    other = _read_field(table, kinds[0], location, own_fields)
    if kinds == ["above_field"]:
        return AboveField(other)
    return AtLeastField(other, read_value(table, "else", location, float))


def _read_equals_rule(table: dict[str, Any], location: TomlLocation) -> Equals:
    value = table["equals"]
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise location.error(f"equals = {value!r}", "a number or text", "for true or false write is = true", "equals")
    return Equals(value if isinstance(value, str) else read_value(table, "equals", location, float))


def _read_limits_rule(table: dict[str, Any], location: TomlLocation, kind: str) -> Rule:
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
    """Check each field's type; custom fields have none until the log is read."""
    for name in (field, *other_fields_of_rule(rule)):
        entry = FIELDS.get(name)
        if entry is None:
            continue
        if _KIND_OF_TYPE.get(entry.type) != rule.kind():
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
