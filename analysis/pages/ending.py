"""The end of a run on the terminal: what was found, in five lines, and where to look."""

from __future__ import annotations

from pathlib import Path

from analysis.pages.findings import findings, names_written_in_several_ways
from analysis.report import Report


def ending(report: Report, out: Path) -> list[str]:
    """Five findings and the page to open."""
    return [
        *findings(report),
        *report.notes,
        *(f"Warning: {said}" for said in names_written_in_several_ways(report)),
        *([] if report.log.comebacks_given else ["Warning: no table of returns was given; the rate is a lower bound."]),
        f"Read: {out / 'index.html'}",
    ]
