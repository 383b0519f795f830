"""What a step asks for, in a few words for a sheet or a cell's note."""

from __future__ import annotations

from analysis.standard.definition import Step
from analysis.standard.rules import AboveField, AtLeastField, BrakeLimits, Equals, Is, Limits
from schemas import dictionary
from schemas.log import Sessions


def target_text(step: Step) -> str:
    """`75 to 80`, `2 or more`, `yes`, `more than: left in the lever syringe at the end`."""
    rule = step.rule
    if isinstance(rule, Is):
        return "yes" if rule.value else "no"
    if isinstance(rule, Equals) and isinstance(rule.value, str):
        return rule.value
    if isinstance(rule, AboveField):
        return f"more than: {_described(rule.other)}"
    if isinstance(rule, AtLeastField):
        return f"at least the {_described(rule.other)} (not known: {rule.otherwise:g})"
    return _between(step.limits) + (", or the brake's own" if isinstance(rule, BrakeLimits) else "")


def _between(limits: Limits) -> str:
    if limits.lo is not None and limits.hi is not None:
        return f"{limits.lo:g} to {limits.hi:g}" if limits.lo != limits.hi else f"{limits.lo:g}"
    if limits.lo is not None:
        return f"{limits.lo:g} or more"
    return f"{limits.hi:g} or less" if limits.hi is not None else ""


def _described(field: str) -> str:
    known = {entry.name: entry.description for entry in dictionary("sessions", Sessions)}
    return known.get(field, field)
