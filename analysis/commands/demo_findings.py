"""Which planted problems of the demo the audit found or missed, and its false alarms, from the report's tables alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from analysis.report import Report

DETECTED, MISSED, FALSE_ALARM = "found", "missed", "false alarm"
MONTHS_TOLERANCE = 3
"""A change is found if its estimated month is at most this far from the true one."""
MIN_BLEEDS = 30
"""Fully followed bleeds of a technician whose raw rate is compared."""
TOP_RANK = 4
"""The costly steps must have this rank or a higher one."""


@dataclass(frozen=True)
class DemoFinding:
    """One planted problem or false alarm: whom it concerns, what it is, and `DETECTED`, `MISSED` or `FALSE_ALARM`."""

    subject: str
    description: str
    outcome: str


def demo_findings(report: Report, planted: pl.DataFrame) -> list[DemoFinding]:
    """Compare the report with each planted problem, then list signals that nobody planted.

    Parameters
    ----------
    report
        The audit of the simulated log.
    planted
        kind, subject, month (counted from the first of the log; may be empty), description.
    """
    results = []
    for kind, subject, month, description in planted.select("kind", "subject", "month", "description").iter_rows():
        outcome = DETECTED if _CHECKS[kind](report, subject, month) else MISSED
        results.append(DemoFinding(_subject_text(report, subject), description, outcome))
    return results + _false_alarms(report, planted)


def _subject_text(report: Report, subject: str) -> str:
    """The subject; for steps, what went wrong."""
    titles = {step.id: f"“{step.missed_title}”" for step in report.standard.steps}
    words = subject.split()
    return ", ".join(titles[word] for word in words) if all(word in titles for word in words) else subject


def _signal(report: Report, technician: str) -> str:
    row = report.rates.filter(pl.col("kind") == "technician", pl.col("group") == technician)
    return str(row.get_column("signal")[0]) if row.height else "absent"


def _cleared(report: Report, subject: str, _: int | None) -> bool:
    """The highest raw rate, and no signal on the same work."""
    people = report.rates.filter(pl.col("kind") == "technician", pl.col("mature") >= MIN_BLEEDS)
    by_rate = people.sort("rate", descending=True).get_column("group")
    return by_rate.len() > 0 and by_rate[0] == subject and _signal(report, subject) == "none"


def _has_high_signal(report: Report, subject: str, _: int | None) -> bool:
    return _signal(report, subject) == "high"


def _costly(report: Report, subject: str, _: int | None) -> bool:
    costly = report.steps.filter(pl.col("rank") <= TOP_RANK, pl.col("verdict") == "costs_comebacks")
    return set(subject.split()) <= set(costly.get_column("step"))


def _harmless(report: Report, subject: str, _: int | None) -> bool:
    rows = report.steps.filter(pl.col("step").is_in(subject.split()))
    return not rows.get_column("verdict").is_in(["costs_comebacks", "goes_with_comebacks", "suspected"]).any()


def _change(report: Report, subject: str, month: int | None) -> bool:
    own = report.months.filter(pl.col("group") == subject).sort("month").with_row_index("number", offset=1)
    estimates = own.filter("change_began").get_column("number").to_list()
    return month is not None and any(abs(estimate - month) <= MONTHS_TOLERANCE for estimate in estimates)


def _coaching_worked(report: Report, subject: str, _: int | None) -> bool:
    row = report.coaching.filter(pl.col("technician") == subject)
    return row.filter("clear", pl.col("change") < 0).height > 0


def _coaching_failed(report: Report, subject: str, _: int | None) -> bool:
    row = report.coaching.filter(pl.col("technician") == subject, pl.col("change").is_not_null())
    return row.height > 0 and not _coaching_worked(report, subject, None)


def _flagged(test: str) -> Callable[[Report, str, int | None], bool]:
    def check(report: Report, subject: str, _: int | None) -> bool:
        return report.credibility.filter(pl.col("technician") == subject, pl.col("test") == test, "flag").height > 0

    return check


def _recalled(*rules: str) -> Callable[[Report, str, int | None], bool]:
    def check(report: Report, _subject: str, _: int | None) -> bool:
        return set(rules) <= set(report.holds.get_column("rule"))

    return check


def _late_wear(report: Report, subject: str, _: int | None) -> bool:
    return any(subject in note and "wear" in note for note in report.notes)


_CHECKS: dict[str, Callable[[Report, str, int | None], bool]] = {
    "hard_work": _cleared,
    "easy_work": _has_high_signal,
    "costly_steps": _costly,
    "harmless_steps": _harmless,
    "change": _change,
    "coaching_worked": _coaching_worked,
    "coaching_failed": _coaching_failed,
    "copied_entries": _flagged("copied_entries"),
    "rounded_readings": _flagged("favourite_digits"),
    "wrong_fluids": _recalled("wrong_fluid", "kit_of_other_kind"),
    "soft_levers": _recalled("not_firm"),
    "late_wear": _late_wear,
}


def _false_alarms(report: Report, planted: pl.DataFrame) -> list[DemoFinding]:
    """Signals on people, flags and changes that concern nobody of the planted problems."""
    planted_subjects = set(planted.get_column("subject"))
    people = report.rates.filter(pl.col("kind") == "technician", pl.col("signal").is_in(["high", "low"]))
    flags = report.credibility.filter("flag").get_column("technician").unique().sort()
    changes = report.months.filter("change_began", pl.col("kind") == "shop").get_column("group")
    signals = [
        *(
            (name, f"{'more' if signal == 'high' else 'fewer'} comebacks than expected for the work")
            for name, signal in people.select("group", "signal").iter_rows()
        ),
        *((name, "unusual recording pattern") for name in flags),
        *((name, "change in the comeback rate") for name in changes),
    ]
    return [
        DemoFinding(subject, description, FALSE_ALARM)
        for subject, description in signals
        if subject not in planted_subjects
    ]
