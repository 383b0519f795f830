"""The bench sheet: one printable page to fill beside the brake, made from the shop's own standard."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from analysis.standard import Standard, Step
from schemas import Entry, dictionary
from schemas.log import Sessions

CAUTIONS = (
    "Brakes are safety parts. The maker's instructions, local rules and a qualified mechanic come first.",
    "Mineral oil and DOT fluid never mix: check the fluid and the kit before you start.",
    "End with a hard pull. A lever that is not firm, or a leak, does not leave the bench.",
    "Used fluid goes to licensed disposal. Wear gloves and eye protection.",
)
HEAD = (
    "session_id", "shop", "bike_id", "brake", "technician", "started_at", "minutes", "job_reason", "brake_model",
    "fluid_required", "fluid_used", "kit_fluid", "hose_route", "piston_pairs", "lever_travel_before_mm", "fluid_out",
)  # fmt: skip
TAIL = ("bubbles_first", "lever_travel_after_mm", "pump_gain_mm", "hard_pull_firm", "leak_seen", "note")


@dataclass(frozen=True)
class Box:
    """One thing to fill: what it is, and either the words to tick or the unit to write in."""

    label: str
    ticks: tuple[str, ...]
    unit: str
    aim: str = ""


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
    pages = Environment(
        loader=PackageLoader("analysis.sheet"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    text = pages.get_template("bench.html").render(
        head=[_box(entries[name]) for name in HEAD],
        steps=[_step_box(step, entries.get(step.field)) for step in standard.steps],
        tail=[_box(entries[name]) for name in TAIL],
        cautions=CAUTIONS,
    )
    path.write_text(text, encoding="utf-8")


def _box(entry: Entry) -> Box:
    ticks = ("yes", "no") if entry.type == "true/false" else entry.levels
    return Box(entry.description, tuple(tick.replace("_", " ") for tick in ticks), entry.unit)


def _step_box(step: Step, entry: Entry | None) -> Box:
    if entry is None:
        return Box(step.title, ("yes", "no"), "")
    box = _box(entry)
    return Box(step.title, box.ticks, box.unit, _aim(step))


def _aim(step: Step) -> str:
    limits = step.limits
    if limits.lo is not None and limits.hi is not None:
        return f"{limits.lo:g} to {limits.hi:g}" if limits.lo != limits.hi else f"{limits.lo:g}"
    if limits.lo is not None:
        return f"{limits.lo:g} or more"
    return f"{limits.hi:g} or less" if limits.hi is not None else ""
