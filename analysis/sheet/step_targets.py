"""The target of a step with its unit, as printed on the bench sheet and in the workbook."""

from __future__ import annotations

from analysis.standard import Step
from analysis.standard.rules import AboveField, AtLeastField, BrakeLimits, Equals, Is, Limits
from schemas import Entry


def target_with_unit(step: Step, fields: dict[str, Entry]) -> str:
    """`75–80 mm`, `65–85 % full`, `2 or more`, `yes`, `bleed blocks fitted ≥ pairs of pistons`.

    Parameters
    ----------
    step
        A step of the procedure.
    fields
        The fields of a bleed by name; a step that reads a field of the workshop's own has a target without a unit.
    """
    rule = step.rule
    if isinstance(rule, Is):
        return "yes" if rule.value else "no"
    if isinstance(rule, Equals) and isinstance(rule.value, str):
        return value_label(rule.value)
    if isinstance(rule, AboveField | AtLeastField):
        sign = ">" if isinstance(rule, AboveField) else "≥"
        return f"{_label(step.field, fields)} {sign} {_label(rule.other, fields)}"
    unit = fields[step.field].unit if step.field in fields else ""
    return _range(step.limits, unit) + (" (or the brake's own limits)" if isinstance(rule, BrakeLimits) else "")


def value_label(value: str) -> str:
    """A level of a field as it is written on a job card: `DOT 5.1`, `soft lever`."""
    return value.replace("dot", "DOT ") if value.startswith("dot") else value.replace("_", " ")


def _label(name: str, fields: dict[str, Entry]) -> str:
    return fields[name].label if name in fields else name


def _range(limits: Limits, unit: str) -> str:
    percent = unit == "fraction"
    lo, hi = (None if limit is None else f"{100 * limit if percent else limit:g}" for limit in (limits.lo, limits.hi))
    written_unit = " % full" if percent else f" {unit}" if unit else ""
    if lo is not None and hi is not None:
        return (lo if lo == hi else f"{lo}–{hi}") + written_unit
    if lo is not None:
        return f"{lo}{written_unit} or more"
    return f"{hi}{written_unit} or less" if hi is not None else ""
