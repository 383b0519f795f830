"""The bench sheet: one printable page per bleed, made from the workshop's own procedure, each step with its target."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from analysis.standard import Standard, Step, other_fields_of_rule
from analysis.standard.rules import AboveField, AtLeastField, BrakeLimits, Equals, Is, Limits
from schemas import Entry, field_entries
from schemas.log import Sessions

CAUTIONS = (
    "Brakes are safety-critical parts. The maker's instructions, local rules and a qualified mechanic come first.",
    "Never mix mineral oil and DOT fluid: check the fluid and the kit before you start.",
    "End with a hard pull. A brake with a soft lever or a leak does not leave the shop.",
    "Take used fluid to a licensed disposal facility. Wear gloves and eye protection.",
)
LABELS = {
    "session_id": "Job no.",
    "bike_id": "Bike (tag or frame no.)",
    "started_at": "Start (date and time)",
    "minutes": "Bench time",
    "lever_travel_before_mm": "Lever travel to the bite point before",
    "lever_travel_after_mm": "Lever travel to the bite point after",
    "pump_gain_mm": "Pump-up (how much shorter the travel is after five quick pulls)",
}
"""Labels that say more than those of the pages, because they ask for an entry."""
COUNTED = {
    "cycles": "passes",
    "lever_vacuum_strokes": "strokes",
    "bubbles_last": "bubbles",
    "blocks_fitted": "blocks",
}
"""What a count counts, written where other readings have their unit."""
MAX_FONT_PT, STEPS_HEIGHT_PT = 8.6, 190.0
"""Font size, and the total for all steps that fits one page: more than 22 steps make the font smaller."""


def target_with_unit(step: Step, fields: dict[str, Entry]) -> str:
    """`75–80 mm`, `65–85 % full`, `2 or more passes`, `yes`, `at least the number of pairs of pistons`.

    A step that reads a custom field has a target without a unit.
    """
    rule = step.rule
    if isinstance(rule, Is):
        return "yes" if rule.value else "no"
    if isinstance(rule, Equals) and isinstance(rule.value, str):
        return value_label(rule.value)
    if isinstance(rule, AboveField):
        return f"more than the {_label_of_field(rule.other, fields)}"
    if isinstance(rule, AtLeastField):
        count = "number of " if rule.other in fields and fields[rule.other].type == "whole number" else ""
        return f"at least the {count}{_label_of_field(rule.other, fields)}"
    if step.field in COUNTED:
        place = " in the last pass" if step.field == "bubbles_last" else ""
        return f"{_range_text(step.limits, '').replace('less', 'fewer')} {COUNTED[step.field]}{place}"
    unit = fields[step.field].unit if step.field in fields else ""
    return _range_text(step.limits, unit) + (" (or the brake's own limits)" if isinstance(rule, BrakeLimits) else "")


def value_label(value: str) -> str:
    """A level of a field as it is written on a job card: `DOT 5.1`, `soft lever`."""
    return value.replace("dot", "DOT ") if value.startswith("dot") else value.replace("_", " ")


def _label_of_field(name: str, fields: dict[str, Entry]) -> str:
    return fields[name].label if name in fields else name


def _range_text(limits: Limits, unit: str) -> str:
    percent = unit == "fraction"
    lo, hi = (None if limit is None else f"{100 * limit if percent else limit:g}" for limit in (limits.lo, limits.hi))
    written_unit = " % full" if percent else f" {unit}" if unit else ""
    if lo is not None and hi is not None:
        return (lo if lo == hi else f"{lo}–{hi}") + written_unit
    if lo is not None:
        return f"{lo}{written_unit} or more"
    return f"{hi}{written_unit} or less" if hi is not None else ""


@dataclass(frozen=True)
class SheetBlank:
    """One place to fill in: values to tick, or a line with its unit; `label` where a box has several."""

    ticks: tuple[str, ...]
    unit: str
    label: str = ""


@dataclass(frozen=True)
class SheetBox:
    """One item to fill in, with its target."""

    label: str
    blanks: tuple[SheetBlank, ...]
    target: str = ""


def write_bench_sheet(path: Path, standard: Standard) -> None:
    """Write the bench sheet as one HTML page that prints on A4.

    It has the job details, the steps in order with their targets, and the checks after the bleed. An existing file is
    replaced.
    """
    fields = {entry.name: entry for entry in field_entries("sessions", Sessions)}
    step_fields = {step.field for step in standard.steps}
    environment = Environment(
        loader=PackageLoader("analysis.sheet"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    text = environment.get_template("bench.html").render(
        font_size=min(MAX_FONT_PT, STEPS_HEIGHT_PT / max(len(standard.steps), 1)),
        procedure=standard.name,
        before=[
            _field_box(field) for field in fields.values() if field.sheet == "before" and field.name not in step_fields
        ],
        steps=[_step_box(step, fields, step_fields) for step in standard.steps],
        after=[
            _field_box(field) for field in fields.values() if field.sheet == "after" and field.name not in step_fields
        ],
        cautions=CAUTIONS,
    )
    path.write_text(text, encoding="utf-8")


def _field_box(field: Entry) -> SheetBox:
    return SheetBox(sheet_label(field), (_field_blank(field),))


def sheet_label(field: Entry) -> str:
    """The label of a field on the sheet, with a capital: `Job no.`, `Lever travel before`."""
    return LABELS.get(field.name, field.label[:1].upper() + field.label[1:])


def _field_blank(field: Entry, label: str = "") -> SheetBlank:
    ticks = ("yes", "no") if field.type == "true/false" else tuple(map(value_label, field.levels))
    unit = "% full" if field.unit == "fraction" else COUNTED.get(field.name, field.unit)
    return SheetBlank(ticks, unit, label)


def _step_box(step: Step, fields: dict[str, Entry], step_fields: set[str]) -> SheetBox:
    """The reading of the step, and other readings it is compared with that have no other place on the sheet."""
    target = target_with_unit(step, fields)
    own = fields.get(step.field)
    if own is None:
        ticks = ("yes", "no") if step.rule.kind() == "true/false" else ()
        return SheetBox(step.title, (SheetBlank(ticks, ""),), target)
    others = [
        fields[name]
        for name in other_fields_of_rule(step.rule)
        if name in fields and name not in step_fields and not fields[name].sheet
    ]
    if not others:
        return SheetBox(step.title, (_field_blank(own),), target)
    return SheetBox(step.title, tuple(_field_blank(field, field.label) for field in (own, *others)), target)
