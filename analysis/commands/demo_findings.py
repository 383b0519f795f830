"""Which of the planted stories the audit found, missed or wrongly raised: each judged from the written tables alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from analysis.report import Report

DETECTED, MISSED, FALSE_ALARM = "found", "missed", "wrongly raised"
LATE_MONTHS = 3


@dataclass(frozen=True)
class DemoFinding:
    """One planted story and what became of it."""

    story: int
    subject: str
    description: str
    outcome: str


def demo_findings(report: Report, planted: pl.DataFrame) -> list[DemoFinding]:
    """Each planted story held against the report, then what was raised that nobody planted.

    Parameters
    ----------
    report
        The audit of the made-up log.
    planted
        story (number), who, month (number or empty), what.
    """
    results = []
    for story, subject, month, description in planted.select("story", "who", "month", "what").iter_rows():
        judge = _CHECKS.get((story, _kind(story, description)))
        if judge is not None:
            results.append(
                DemoFinding(story, subject, description, DETECTED if judge(report, subject, month) else MISSED)
            )
    return results + _false_alarms(report, planted)


def _kind(story: int, description: str) -> str:
    """Stories of several parts are told apart by a word of their text."""
    words = {
        3: ("cost most", "cost nothing"),
        5: ("did not improve", "and improved"),
        6: ("copies", "round"),
        7: ("wrong family", "not firm"),
    }
    return next((word for word in words.get(story, ()) if word in description), "")


def _signal(report: Report, subject: str) -> str:
    row = report.rates.filter(pl.col("kind") == "technician", pl.col("group") == subject)
    return str(row.get_column("signal")[0]) if row.height else "absent"


def _scapegoat(report: Report, subject: str, _: int | None) -> bool:
    people = report.rates.filter(pl.col("kind") == "technician", pl.col("mature") >= 30).sort("rate", descending=True)
    return people.height > 0 and people.get_column("group")[0] == subject and _signal(report, subject) == "none"


def _worse_than_it_looks(report: Report, subject: str, _: int | None) -> bool:
    return _signal(report, subject) == "high"


def _costly(report: Report, subject: str, _: int | None) -> bool:
    top = report.steps.filter(pl.col("rank") <= 4).get_column("step").to_list()
    called = report.steps.filter(pl.col("verdict") == "costs_comebacks").get_column("step").to_list()
    return set(subject.split()) <= set(top) and set(subject.split()) <= set(called)


def _harmless(report: Report, subject: str, _: int | None) -> bool:
    rows = report.steps.filter(pl.col("step").is_in(subject.split()))
    return not rows.get_column("verdict").is_in(["costs_comebacks", "suspected"]).any()


def _change(report: Report, subject: str, month: int | None) -> bool:
    own = report.months.filter(pl.col("group") == subject).sort("month")
    change_rows = own.with_row_index("at", offset=1).filter("change_began").get_column("at").to_list()
    return month is not None and any(abs(int(at) - month) <= LATE_MONTHS for at in change_rows)


def _improved(report: Report, subject: str, _: int | None) -> bool:
    row = report.coaching.filter(pl.col("technician") == subject)
    return row.filter("clear", pl.col("change") < 0).height > 0


def _not_improved(report: Report, subject: str, _: int | None) -> bool:
    row = report.coaching.filter(pl.col("technician") == subject)
    return row.filter(pl.col("change").is_not_null()).height > 0 and not _improved(report, subject, None)


def _flagged(test: str) -> Callable[[Report, str, int | None], bool]:
    def judge(report: Report, subject: str, _: int | None) -> bool:
        return report.credibility.filter(pl.col("technician") == subject, pl.col("test") == test, "flag").height > 0

    return judge


def _on_hold(*rules: str) -> Callable[[Report, str, int | None], bool]:
    def judge(report: Report, _who: str, _: int | None) -> bool:
        return all(report.holds.filter(pl.col("rule") == rule).height > 0 for rule in rules)

    return judge


def _late(report: Report, subject: str, _: int | None) -> bool:
    return any(subject in note and "wear" in note for note in report.notes)


_CHECKS: dict[tuple[int, str], Callable[[Report, str, int | None], bool]] = {
    (1, ""): _scapegoat,
    (2, ""): _worse_than_it_looks,
    (3, "cost most"): _costly,
    (3, "cost nothing"): _harmless,
    (4, ""): _change,
    (5, "and improved"): _improved,
    (5, "did not improve"): _not_improved,
    (6, "copies"): _flagged("copied_entries"),
    (6, "round"): _flagged("favourite_digits"),
    (7, "wrong family"): _on_hold("wrong_fluid", "kit_of_other_kind"),
    (7, "not firm"): _on_hold("not_firm"),
    (8, ""): _late,
}


def _false_alarms(report: Report, planted: pl.DataFrame) -> list[DemoFinding]:
    """Signals on people, flags and changes that no story plants."""
    known = set(planted.get_column("who").to_list())
    people = report.rates.filter(pl.col("kind") == "technician", pl.col("signal").is_in(["high", "low"]))
    flags = report.credibility.filter("flag").get_column("technician").unique().sort()
    changes = report.months.filter("change_began", pl.col("kind") == "shop").get_column("group")
    raised = [
        *(
            (name, f"{'more' if signal == 'high' else 'fewer'} comebacks than the same work explains")
            for name, signal in people.select("group", "signal").iter_rows()
        ),
        *((name, "a flag on how the log was written") for name in flags),
        *((name, "a change that was not planted") for name in changes),
    ]
    return [
        DemoFinding(0, subject, description, FALSE_ALARM) for subject, description in raised if subject not in known
    ]
