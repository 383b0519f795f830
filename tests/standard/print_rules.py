"""Prints analysis/standard/RULES.md from the drawn cases: python -m tests.standard.print_rules"""

from __future__ import annotations

from pathlib import Path

import analysis.standard
from analysis.standard import built_in
from tests.standard.cases import BRAKES, HOLD_CASES, STEP_CASES

_STATES = {True: "missed", False: "met", None: "not recorded"}


def rules_text() -> str:
    standard = built_in()
    lines = [
        "# How a bleed is held against the standard",
        "",
        "Printed from the tests, which hold every line. The built-in values are starting values: common practice, no",
        "source; the maker's figure wins.",
        "",
        "## Steps",
        "",
        "| step | title | field | harm by |",
        "| --- | --- | --- | --- |",
        *(f"| {step.id} | {step.title} | {step.field} | {step.acts} |" for step in standard.steps),
        "",
        "| step | readings | outcome | because |",
        "| --- | --- | --- | --- |",
        *(f"| {c.step} | {_readings(c.readings)} | {_STATES[c.missed]} | {c.because} |" for c in STEP_CASES),
        "",
        f"A brake of the table: {_readings(BRAKES[0])}.",
        "",
        "## Holds",
        "",
        "| readings | holds | because |",
        "| --- | --- | --- |",
        *(f"| {_readings(c.readings)} | {', '.join(c.holds) or 'none'} | {c.because} |" for c in HOLD_CASES),
        "",
    ]
    return "\n".join(lines)


def _readings(readings: dict[str, object]) -> str:
    return ", ".join(f"{name} {value}" for name, value in readings.items()) or "nothing"


if __name__ == "__main__":
    Path(analysis.standard.__file__).with_name("RULES.md").write_text(rules_text(), encoding="utf-8")
