"""Prints analysis/standard/RULES.md from the drawn cases: python -m tests.standard.print_standard_rules"""

from __future__ import annotations

from pathlib import Path

import analysis.standard
from analysis.standard import built_in
from tests.standard.standard_cases import BRAKES, HOLD_CASES, STEP_CASES
from tests.survival.follow_up_cases import CASES, Case

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
        "The brakes of the table: " + "; ".join(_readings(brake) for brake in BRAKES) + ".",
        "",
        "## Holds",
        "",
        "| readings | holds | because |",
        "| --- | --- | --- |",
        *(f"| {_readings(c.readings)} | {', '.join(c.holds) or 'none'} | {c.because} |" for c in HOLD_CASES),
        "",
        "## Follow-up",
        "",
        "Bleeds of one brake and what was written of returns; the log ends 2026-06-30 and the window is 90 days. Told of the",
        "first bleed: what ended its time at risk, after how many days, whether it counts as a comeback, days to the next",
        "bleed that is no repair of its return.",
        "",
        "| case | bleeds | returns | time ended by | days | comeback | next bleed |",
        "| --- | --- | --- | --- | --- | --- | --- |",
        *(f"| {_follow_up(case)} |" for case in CASES),
        "",
    ]
    return "\n".join(lines)


def _readings(readings: dict[str, object]) -> str:
    return ", ".join(f"{name} {value}" for name, value in readings.items()) or "nothing"


def _follow_up(case: Case) -> str:
    end, days, came_back, next_bleed = case.expected
    yes, at_all = "yes" if came_back else "no", "none" if next_bleed is None else str(next_bleed)
    return " | ".join([case.because, _events(case.bleeds), _events(case.returns), end, str(days), yes, at_all])


def _events(events: tuple[tuple[str, dict[str, object]], ...]) -> str:
    return "; ".join(" ".join([day, *map(str, others.values())]) for day, others in events) or "none"


if __name__ == "__main__":
    Path(analysis.standard.__file__).with_name("RULES.md").write_text(rules_text(), encoding="utf-8")
