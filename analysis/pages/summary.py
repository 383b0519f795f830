"""The findings that open the overview and end a run on the terminal."""

from __future__ import annotations

from pathlib import Path

from analysis.intake import AFTER_TODAY
from analysis.pages.lead_differences import difference_finding
from analysis.pages.lead_holds import recall_finding
from analysis.pages.lead_rates import change_finding, rate_finding, trend_finding
from analysis.pages.lead_savings import step_finding
from analysis.pages.lead_since import findings_since_last_audit
from analysis.pages.question import Finding
from analysis.report import Report


def findings_beyond_figures(report: Report) -> tuple[Finding, ...]:
    """What the five figures do not say: what is new since an earlier audit, the trend, changes, differences and costly steps."""
    return (*findings_since_last_audit(report), *_figures_in_words(report))


def findings(report: Report) -> tuple[Finding, ...]:
    """The main findings, one each: changes since an earlier audit, recalls, comeback rate, changes, differences, costly steps."""
    return (
        *findings_since_last_audit(report),
        recall_finding(report),
        rate_finding(report),
        *_figures_in_words(report),
    )


def _figures_in_words(report: Report) -> tuple[Finding, ...]:
    """The trend, changes, differences and costly steps."""
    trend = trend_finding(report)
    return *([trend] if trend else []), change_finding(report), difference_finding(report), step_finding(report)


def terminal_summary(report: Report, out: Path) -> list[str]:
    """The findings with their figures, notes and warnings, and the page to open."""
    lines = []
    for finding in findings(report):
        lines += [finding.text, *([f"    {finding.detail}"] if finding.detail else [])]
    return [
        *lines,
        *(f"Note: {note}" for note in report.notes),
        *(f"Warning: {warning}" for warning in spelling_warnings(report)),
        *(f"Warning: {warning}" for warning in report.log.warnings if AFTER_TODAY in warning),
        *(
            []
            if report.log.has_comebacks_table or not report.comebacks
            else ["Warning: no table of returns was read; the true rate is probably higher."]
        ),
        f"Open {out / 'index.html'}",
    ]


def spelling_warnings(report: Report) -> tuple[str, ...]:
    """Technicians who may be one person under two spellings; every figure about people depends on it."""
    groups = sum("counted as different people" in warning for warning in report.log.warnings)
    if not groups:
        return ()
    names = "One technician's name is" if groups == 1 else f"{groups} technicians' names are"
    return (f"{names} spelled in several ways, each counted as a different person. See the import notes on any page.",)
