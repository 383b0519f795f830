"""A standard as plain dictionaries and back, so that a saved model can hold it."""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict, replace
from typing import Any

from analysis.standard.definition import ComebackRule, SecondCheck, Standard, Step, TravelRecall, WorkCondition
from analysis.standard.rules import AboveField, AtLeastField, Between, BrakeLimits, Equals, Is, Limits, Rule

RULES: dict[str, type] = {kind.__name__: kind for kind in (Is, Between, Equals, AboveField, AtLeastField, BrakeLimits)}
LIMIT_FIELDS = ("limits", "usual")


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
