"""Prints analysis/intake/RULES.md from the drawn cases: python -m tests.intake.print_intake_rules"""

from __future__ import annotations

from pathlib import Path

import analysis.intake
from tests.intake.day_cases import DAY_CASES, DayCase
from tests.intake.link_cases import LINK_CASES, LinkCase


def rules_text() -> str:
    lines = [
        "# Which bleed a return answers to",
        "",
        "Printed from the tests, which hold every line. Bleeds and the return are of bike B unless said otherwise.",
        "",
        "| because | bleeds (id, brake, start) | return (written id, brake, when) | answers to |",
        "| --- | --- | --- | --- |",
        *(_line(case) for case in LINK_CASES),
        "",
        "# Which day a log stands on",
        "",
        "| because | bleeds | returns | given | as-of date | set aside |",
        "| --- | --- | --- | --- | --- | --- |",
        *(_day_line(case) for case in DAY_CASES),
        "",
    ]
    return "\n".join(lines)


def _line(case: LinkCase) -> str:
    bleeds = "; ".join(" ".join(bleed) for bleed in case.bleeds)
    written, brake, when = case.back
    bike = f", bike {case.bike}" if case.bike != "B" else ""
    aside = f"; set aside: {', '.join(case.aside)}" if case.aside else ""
    back = f"{written or 'none'}, {brake or 'none'}, {when}{bike}"
    return f"| {case.because} | {bleeds}{aside} | {back} | {case.bleed or 'no bleed'} |"


def _day_line(case: DayCase) -> str:
    days = [", ".join(each) or "none" for each in (case.bleeds, case.returns)]
    cells = [case.because, *days, case.given or "none", case.as_of or "the run stops", ", ".join(case.aside) or "none"]
    return f"| {' | '.join(cells)} |"


if __name__ == "__main__":
    Path(analysis.intake.__file__).with_name("RULES.md").write_text(rules_text(), encoding="utf-8")
