"""The end of a run on the terminal: what was found, in five lines, and where to look."""

from __future__ import annotations

from pathlib import Path

from analysis.pages.lead import change_sentence, difference_sentence, holds_sentence, rate_sentence, step_sentence
from analysis.report import Report


def ending(report: Report, out: Path) -> list[str]:
    """Five findings and the page to open."""
    return [
        rate_sentence(report),
        holds_sentence(report),
        change_sentence(report),
        difference_sentence(report),
        step_sentence(report),
        *report.notes,
        *([] if report.log.comebacks_given else ["Warning: no table of returns was given; the rate is a lower bound."]),
        f"Read: {out / 'index.html'}",
    ]
