"""A shop's own standard, read from TOML: what it leaves out is the built-in one's, what it says wrong is refused."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

from analysis.errors import CannotRun
from analysis.standard.grammar import Place, refuse_unknown, value_of
from analysis.standard.rules import AboveField, AtLeastField, Between, BrakeLimits, Equals, Is, Limits, Rule
from analysis.standard.standard import ComebackRule, SecondCheck, Standard, Step
from schemas import dictionary
from schemas.log import COMPLAINTS, FINDINGS, FLUIDS, Brakes, Sessions

FIELDS = {entry.name: entry for entry in dictionary("sessions", Sessions)}
BRAKE_FIELDS = {entry.name for entry in dictionary("brakes", Brakes) if entry.type == "number"}
SIGN_WORDS = ("travel", "pump_gain", "bubbles", "hard_pull", "leak")
RULE_KEYS = ("is", "min", "max", "equals", "above_field", "at_least_field", "brake_limits")
STEP_KEYS = ("id", "title", "field", "acts", "alters", "else", *RULE_KEYS)
LARGEST_BYTES = 1_000_000


def built_in() -> Standard:
    """The built-in procedure: starting values, common practice, no source; the maker's figure wins."""
    return _standard(files("analysis.standard").joinpath("built_in.toml").read_text("utf-8"), "built in", (), None)


def read_standard(path: str | Path, own_fields: Iterable[str] = ()) -> Standard:
    """The standard a shop wrote down.

    Parameters
    ----------
    path
        A TOML file. A table it leaves out is taken from the built-in standard; where it lists any step, its steps
        alone count.
    own_fields
        Names of the shop's own fields (`own.<name>`) that a step may read.

    Raises
    ------
    CannotRun
        Unreadable or malformed TOML, an unknown key or field, a value of the wrong kind, min above max, no rule or two
        rules in one step, a step id used twice: with file and line or key.
    """
    file = Path(path)
    try:
        if file.stat().st_size > LARGEST_BYTES:
            raise CannotRun(str(path), "is larger than 1 MB", "a standard of a few kilobytes", "check the path")
        text = file.read_text("utf-8")
    except OSError as error:
        raise CannotRun(
            str(path), f"cannot be read: {error.strerror}", "a standard in TOML", "check the path"
        ) from error
    except UnicodeDecodeError as error:
        raise CannotRun(str(path), "is not UTF-8 text", "a standard in TOML, UTF-8", "save it as UTF-8") from error
    return _standard(text, str(path), tuple(own_fields), built_in())


def _standard(text: str, name: str, own_fields: tuple[str, ...], default: Standard | None) -> Standard:
    try:
        told = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CannotRun(name, f"is not TOML: {error}", "key = value lines", "mend that line") from error
    top = Place(name, text, "")
    refuse_unknown(told, ("shop", "comeback", "second_check", "fluids", "step"), top)
    shop, back, check = (_table(told, key, top) for key in ("shop", "comeback", "second_check"))
    refuse_unknown(shop, ("window_days", "currency", "minute_cost"), top.at("shop"))
    steps = _steps(told.get("step"), top, own_fields, default)
    return Standard(
        window_days=value_of(
            shop, "window_days", top.at("shop"), int, low=1, high=3650, default=_of(default, "window_days")
        ),
        currency=value_of(shop, "currency", top.at("shop"), str, default=_of(default, "currency")),
        minute_cost=value_of(shop, "minute_cost", top.at("shop"), float, low=0, default=_of(default, "minute_cost")),
        comeback=_comeback(back, top.at("comeback"), default.comeback if default else None),
        second_check=_second_check(check, top.at("second_check"), default.second_check if default else None),
        steps=steps,
        fluid_replacements=_replacements(_table(told, "fluids", top), top, default),
        name=name,
    )


def _comeback(told: dict[str, Any], place: Place, default: ComebackRule | None) -> ComebackRule:
    refuse_unknown(told, ("complaints", "findings", "never", "minutes", "parts_cost"), place)
    return ComebackRule(
        complaints=_words(told, "complaints", place, COMPLAINTS, default.complaints if default else None),
        findings=_words(told, "findings", place, FINDINGS, default.findings if default else None),
        never=_words(told, "never", place, FINDINGS, default.never if default else None),
        minutes=value_of(told, "minutes", place, float, low=0, default=_of(default, "minutes")),
        parts_cost=value_of(told, "parts_cost", place, float, low=0, default=_of(default, "parts_cost")),
    )


def _second_check(told: dict[str, Any], place: Place, default: SecondCheck | None) -> SecondCheck:
    refuse_unknown(told, ("minutes", "finds", "per_week", "worklist_days"), place)
    return SecondCheck(
        minutes=value_of(told, "minutes", place, float, low=0, default=_of(default, "minutes")),
        finds=value_of(told, "finds", place, float, low=0, high=1, default=_of(default, "finds")),
        per_week=value_of(told, "per_week", place, float, low=0, default=_of(default, "per_week")),
        worklist_days=value_of(told, "worklist_days", place, int, low=1, default=_of(default, "worklist_days")),
    )


def _replacements(told: dict[str, Any], top: Place, default: Standard | None) -> dict[str, tuple[str, ...]]:
    place = top.at("fluids")
    refuse_unknown(told, ("replaces",), place)
    if "replaces" not in told:
        return default.fluid_replacements if default else {}
    replaces = _table(told, "replaces", place)
    refuse_unknown(replaces, FLUIDS, place.at("replaces"))
    return {fluid: _words(replaces, fluid, place.at("replaces"), FLUIDS, None) for fluid in replaces}


def _steps(told: Any, top: Place, own_fields: tuple[str, ...], default: Standard | None) -> tuple[Step, ...]:
    if told is None and default is not None:
        return default.steps
    if not isinstance(told, list) or not all(isinstance(step, dict) for step in told):
        raise top.at("step").refusal(
            "is not a list of steps", "one [[step]] for each step", "write [[step]], twice bracketed"
        )
    steps = tuple(_step(step, top.step(number, step), own_fields) for number, step in enumerate(told, 1))
    for number, step in enumerate(steps, 1):
        if step.id in {earlier.id for earlier in steps[: number - 1]}:
            raise top.step(number, told[number - 1]).refusal(
                f"the id {step.id!r} is used twice", "one step an id", "rename one"
            )
    return steps


def _step(told: dict[str, Any], place: Place, own_fields: tuple[str, ...]) -> Step:
    refuse_unknown(told, STEP_KEYS, place)
    name = value_of(told, "id", place, str)
    field = value_of(told, "field", place, str)
    if field not in FIELDS and field not in own_fields:
        known = "a field of the log, or own.<name> that the map declares"
        raise place.refusal(f"field = {field!r} is no field of a bleed", known, "see: rebleed fields")
    acts = value_of(told, "acts", place, str, default="air")
    if acts not in ("air", "leak"):
        raise place.refusal(f"acts = {acts!r}", '"air" or "leak"', "name one of the two")
    return Step(
        id=name,
        title=value_of(told, "title", place, str, default=name.replace("_", " ")),
        field=field,
        rule=_rule(told, place, field, own_fields),
        acts=acts,
        alters=_words(told, "alters", place, SIGN_WORDS, ()),
    )


def _rule(told: dict[str, Any], place: Place, field: str, own_fields: tuple[str, ...]) -> Rule:
    given = [key for key in RULE_KEYS if key in told]
    kinds = [key for key in given if key not in ("min", "max")] or (["limits"] if given else [])
    if kinds == ["brake_limits"] or kinds == ["limits"]:
        return _limits_rule(told, place, kinds[0])
    if len(kinds) != 1 or "min" in told or "max" in told:
        found = "no rule" if not given else f"more than one rule: {', '.join(given)}"
        raise place.refusal(found, "one rule a step", f"keep one of {', '.join(RULE_KEYS)}")
    if kinds == ["is"]:
        return Is(value_of(told, "is", place, bool))
    if kinds == ["equals"]:
        value = told["equals"]
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            raise place.refusal(f"equals = {value!r}", "a number or a text", "for true or false write: is = true")
        return Equals(value)
    other = value_of(told, kinds[0], place, str)
    if other not in FIELDS and other not in own_fields:
        raise place.refusal(
            f"{kinds[0]} = {other!r} is no field of a bleed", "a field of the log", "see: rebleed fields"
        )
    if kinds == ["above_field"]:
        return AboveField(other)
    return AtLeastField(other, value_of(told, "else", place, float))


def _limits_rule(told: dict[str, Any], place: Place, kind: str) -> Rule:
    lo, hi = (value_of(told, key, place, float) if key in told else None for key in ("min", "max"))
    if lo is not None and hi is not None and lo > hi:
        raise place.refusal(f"min = {lo:g} is above max = {hi:g}", "min at most max", "swap them")
    if kind == "limits":
        return Between(Limits(lo, hi))
    pair = told["brake_limits"]
    if not isinstance(pair, list) or len(pair) != 2 or not set(pair) <= BRAKE_FIELDS:
        names = ", ".join(sorted(BRAKE_FIELDS))
        raise place.refusal(
            f"brake_limits = {pair!r}", f"two number fields of the brakes table ({names})", "name lower, upper"
        )
    return BrakeLimits(pair[0], pair[1], Limits(lo, hi))


def _words(
    told: Mapping[str, Any], key: str, place: Place, known: Iterable[str], default: tuple[str, ...] | None
) -> tuple[str, ...]:
    if key not in told and default is not None:
        return default
    value = told.get(key)
    if not isinstance(value, list) or not all(isinstance(word, str) for word in value):
        raise place.refusal(f"{key} = {value!r}", "a list of words in quotes", f'write {key} = ["…"]')
    for word in value:
        if word not in known:
            raise place.refusal(f"{key} names {word!r}", "one of " + ", ".join(known), "mend the word")
    return tuple(value)


def _table(told: dict[str, Any], key: str, place: Place) -> dict[str, Any]:
    value = told.get(key, {})
    if not isinstance(value, dict):
        raise place.at(key).refusal("is not a table", f"[{key}] and its keys below", "write it as a table")
    return value


def _of(default: Any, name: str) -> Any:
    return None if default is None else getattr(default, name)
