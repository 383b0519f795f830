"""The bench sheet: one printable page to fill beside the brake, made from the shop's own standard."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from analysis.standard import Standard, Step, fields_read, target_text
from schemas import Entry, dictionary
from schemas.log import Sessions

CAUTIONS = (
    "Brakes are safety parts. The maker's instructions, local rules and a qualified mechanic come first.",
    "Mineral oil and DOT fluid never mix: check the fluid and the kit before you start.",
    "End with a hard pull. A lever that is not firm, or a leak, does not leave the bench.",
    "Used fluid goes to licensed disposal. Wear gloves and eye protection.",
)
LARGEST_PT, ROOM_PT = 8.6, 190.0
"""Size of the letters, and what a page has for letters of its steps: more steps than 22 make them smaller."""


@dataclass(frozen=True)
class Blank:
    """One place to fill: words to tick, or the unit to write in, and what stands before it where there are several."""

    ticks: tuple[str, ...]
    unit: str
    before: str = ""


@dataclass(frozen=True)
class Box:
    """One thing to fill: what it is, what it should be, and its places."""

    label: str
    blanks: tuple[Blank, ...]
    target: str = ""


def write_bench_sheet(path: Path, standard: Standard) -> None:
    """Write the bench sheet as one HTML page that prints on A4: what came in, the steps in order, what was seen.

    Parameters
    ----------
    path
        The .html to write; an existing file is replaced.
    standard
        Whose steps and tolerances stand on it.
    """
    entries = {entry.name: entry for entry in dictionary("sessions", Sessions)}
    on_sheet = {step.field for step in standard.steps}
    pages = Environment(
        loader=PackageLoader("analysis.sheet"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    text = pages.get_template("bench.html").render(
        size=min(LARGEST_PT, ROOM_PT / max(len(standard.steps), 1)),
        standard=standard.name,
        head=[_box(entry) for entry in entries.values() if entry.sheet == "before" and entry.name not in on_sheet],
        steps=[_step_box(step, entries, on_sheet) for step in standard.steps],
        tail=[_box(entry) for entry in entries.values() if entry.sheet == "after" and entry.name not in on_sheet],
        cautions=CAUTIONS,
    )
    path.write_text(text, encoding="utf-8")


def _box(entry: Entry) -> Box:
    return Box(entry.description.partition(" (")[0], (_blank(entry),))


def _blank(entry: Entry, before: str = "") -> Blank:
    ticks = ("yes", "no") if entry.type == "true/false" else entry.levels
    unit = "of 1" if entry.unit == "fraction" else entry.unit
    return Blank(tuple(tick.replace("_", " ") for tick in ticks), unit, before)


def _step_box(step: Step, entries: dict[str, Entry], on_sheet: set[str]) -> Box:
    """The step's own reading, and readings it is held against that stand nowhere else on the sheet."""
    own = entries.get(step.field)
    if own is None:
        ticks = ("yes", "no") if step.rule.kind() == "true/false" else ()
        return Box(step.title, (Blank(ticks, ""),), target_text(step))
    related = [name for name in fields_read(step.rule) if name not in on_sheet and not _has_a_place(name, entries)]
    if not related:
        return Box(step.title, (_blank(own),), target_text(step))
    several = (own, *(entries[name] for name in related if name in entries))
    return Box(step.title, tuple(_blank(one, one.description) for one in several), target_text(step))


def _has_a_place(name: str, entries: dict[str, Entry]) -> bool:
    return name in entries and bool(entries[name].sheet)
