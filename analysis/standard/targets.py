"""The target of a step in a few words, for the bench sheet and the workbook."""

from __future__ import annotations

from analysis.standard.definition import Step
from analysis.standard.rules import AboveField, AtLeastField, BrakeLimits, Equals, Is, Limits
from schemas import dictionary
from schemas.log import Sessions


def target_text(step: Step) -> str:
    """A step's target, such as `75–80`, `2 or more` or `yes`; without a unit."""
    rule = step.rule
    if isinstance(rule, Is):
        return "yes" if rule.value else "no"
    if isinstance(rule, Equals) and isinstance(rule.value, str):
        return rule.value
    if isinstance(rule, AboveField):
        return f"more than {_description(rule.other)}"
    if isinstance(rule, AtLeastField):
        return f"at least {_description(rule.other)}"
    return _range(step.limits) + (" (the brake's own limits take precedence)" if isinstance(rule, BrakeLimits) else "")


def _range(limits: Limits) -> str:
    if limits.lo is not None and limits.hi is not None:
        return f"{limits.lo:g}–{limits.hi:g}" if limits.lo != limits.hi else f"{limits.lo:g}"
    if limits.lo is not None:
        return f"{limits.lo:g} or more"
    return f"{limits.hi:g} or less" if limits.hi is not None else ""


def _description(field: str) -> str:
    descriptions = {entry.name: entry.description for entry in dictionary("sessions", Sessions)}
    return descriptions.get(field, field)
