"""Print analysis/intake/RULES.md from the cases of the tests: python -m tests.intake.print_intake_rules"""

from __future__ import annotations

from pathlib import Path

import analysis.intake
from tests.intake.day_cases import DAY_CASES, DayCase
from tests.intake.link_cases import LINK_CASES, LinkCase


def rules_text() -> str:
    lines = [
        "# Which bleed a return belongs to",
        "",
        "Every line is checked by a test. Bleeds and returns are of bike B unless another is given.",
        "",
        "| case | bleeds (ID, brake, start, reason) | return (bleed named, brake, time) | belongs to |",
        "| --- | --- | --- | --- |",
        *(_line(case) for case in LINK_CASES),
        "",
        "# The last day the exports cover",
        "",
        "| case | bleeds | returns | --as-of | as-of date | rejected |",
        "| --- | --- | --- | --- | --- | --- |",
        *(_day_line(case) for case in DAY_CASES),
        "",
    ]
    return "\n".join(lines)


def _line(case: LinkCase) -> str:
    bleeds = "; ".join(" ".join(bleed) for bleed in case.bleeds)
    named_bleed, brake, when = case.back
    bike = f", bike {case.bike}" if case.bike != "B" else ""
    rejected = f"; rejected: {', '.join(case.rejected)}" if case.rejected else ""
    back = f"{named_bleed or 'none'}, {brake or 'none'}, {when}{bike}"
    return f"| {case.because} | {bleeds}{rejected} | {back} | {case.bleed or 'no bleed'} |"


def _day_line(case: DayCase) -> str:
    days = [", ".join(each) or "none" for each in (case.bleeds, case.returns)]
    cells = [
        case.because,
        *days,
        case.requested or "none",
        case.as_of or "the run stops",
        ", ".join(case.rejected) or "none",
    ]
    return f"| {' | '.join(cells)} |"


if __name__ == "__main__":
    Path(analysis.intake.__file__).with_name("RULES.md").write_text(rules_text(), encoding="utf-8")
