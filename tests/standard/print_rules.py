"""Prints analysis/standard/RULES.md from the test cases: python -m tests.standard.print_rules"""

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
        "# How each step is judged",
        "",
        "Generated from the tests, which check every line. The built-in values are starting values: common practice, no",
        "source; the maker's instructions take precedence. Limits are inclusive.",
        "",
        "## Steps",
        "",
        "`acts` is how the model treats a step: `air` if a miss can show in the stand readings, `leak` if it cannot (a leak, a",
        "loose screw, fluid on the pads).",
        "",
        "| step | title | field | acts |",
        "| --- | --- | --- | --- |",
        *(f"| {step.id} | {step.title} | {step.field} | {step.acts} |" for step in standard.steps),
        "",
        "| step | readings | outcome | because |",
        "| --- | --- | --- | --- |",
        *(f"| {c.step} | {_readings(c.readings)} | {_STATES[c.missed]} | {c.because} |" for c in STEP_CASES),
        "",
        "Brakes table of these examples: " + "; ".join(_readings(brake) for brake in BRAKES) + ".",
        "",
        "## Recalls",
        "",
        "| readings | recalls | because |",
        "| --- | --- | --- |",
        *(f"| {_readings(c.readings)} | {', '.join(c.holds) or 'none'} | {c.because} |" for c in HOLD_CASES),
        "",
        "## Follow-up",
        "",
        "Bleeds of one brake and its recorded returns; the log ends on 2026-06-30 and the window is 90 days. The last four",
        "columns are about the first bleed: what ended its time at risk, after how many days, whether it counts as a",
        "comeback, and the days to the next bleed, not counting the repair of its return.",
        "",
        "| case | bleeds | returns | time ended by | days | comeback | next bleed |",
        "| --- | --- | --- | --- | --- | --- | --- |",
        *(f"| {_follow_up(case)} |" for case in CASES),
        "",
    ]
    return "\n".join(lines)


def _readings(readings: dict[str, object]) -> str:
    words = {
        name: {True: "yes", False: "no"}[value] if isinstance(value, bool) else value
        for name, value in readings.items()
    }
    return ", ".join(f"{name} {value}" for name, value in words.items()) or "nothing"


def _follow_up(case: Case) -> str:
    end, days, came_back, next_bleed = case.expected
    comeback, days_to_next = "yes" if came_back else "no", "none" if next_bleed is None else str(next_bleed)
    columns = [case.because, _events(case.bleeds), _events(case.returns), end, str(days), comeback, days_to_next]
    return " | ".join(columns)


def _events(events: tuple[tuple[str, dict[str, object]], ...]) -> str:
    return "; ".join(" ".join([day, *map(str, others.values())]) for day, others in events) or "none"


if __name__ == "__main__":
    Path(analysis.standard.__file__).with_name("RULES.md").write_text(rules_text(), encoding="utf-8")
