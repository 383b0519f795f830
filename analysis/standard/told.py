"""A standard as plain words and numbers, and back: so that it can be kept in a file beside a model."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from analysis.standard.rules import AboveField, AtLeastField, Between, BrakeLimits, Equals, Is, Limits, Rule
from analysis.standard.standard import ComebackRule, SecondCheck, Standard, Step, Where

RULES: dict[str, type] = {
    kind.__name__: kind for kind in (Is, Between, Equals, AboveField, AtLeastField, BrakeLimits)
}  # fmt: skip
LIMITED = ("limits", "usual")


def standard_told(standard: Standard) -> dict[str, Any]:
    """The standard as dictionaries, lists, texts and numbers."""
    told = {**asdict(standard), "steps": [_step_told(step) for step in standard.steps]}
    told["fluid_replacements"] = {fluid: list(others) for fluid, others in standard.fluid_replacements.items()}
    return told


def standard_from(told: dict[str, Any]) -> Standard:
    """The standard that `standard_told` told.

    Raises
    ------
    KeyError, TypeError
        Something is missing or was never a standard's.
    """
    comeback: dict[str, Any] = {k: tuple(v) if isinstance(v, list | tuple) else v for k, v in told["comeback"].items()}
    whole = {
        **told,
        "comeback": ComebackRule(**comeback),
        "second_check": SecondCheck(**told["second_check"]),
        "steps": tuple(_step_from(step) for step in told["steps"]),
        "fluid_replacements": {fluid: tuple(others) for fluid, others in told["fluid_replacements"].items()},
    }
    return Standard(**whole)


def _step_told(step: Step) -> dict[str, Any]:
    return {**asdict(step), "rule": {"kind": type(step.rule).__name__, **asdict(step.rule)}}


def _step_from(told: dict[str, Any]) -> Step:
    rule = dict(told["rule"])
    kind = RULES[rule.pop("kind")]
    made: Rule = kind(**{name: Limits(**value) if name in LIMITED else value for name, value in rule.items()})
    where = told["worse_where"] and Where(**told["worse_where"])
    return Step(**{**told, "rule": made, "alters": tuple(told["alters"]), "worse_where": where})
