"""What a trial of a changed procedure showed, or why the log cannot say."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.pages.question import Finding, Question, page_table
from analysis.pages.text import join_words, number, percent, percentage_points, quantity
from analysis.report import Report

SIGNIFICANT = 0.05
REASONS = {
    "before_after": (
        "one arm came after the other, so this is a before/after comparison, not a trial. Anything else that changed in the "
        "meantime could explain a difference."
    ),
    "undeclared": "the log does not say what was randomised, so nothing was tested.",
    "mixed": "some of the {units} that were randomised have bleeds in more than one arm, so nothing was tested.",
}
"""Why a trial is not tested, by its design."""
ACTIONS = {
    "before_after": "Run both arms at the same time, and randomise who starts with which.",
    "undeclared": "Enter bleed, bike, technician, workshop or week in “trial_unit” for each bleed that took part.",
    "mixed": "Check “trial_arm” and “trial_unit” of those bleeds.",
}


def trial_question(report: Report) -> Question:
    """The result of every trial in the log, or why it has none."""
    trials = report.trial.partition_by("trial", maintain_order=True)
    findings = [_trial_finding(own) for own in trials]
    actions = list(dict.fromkeys(ACTIONS[design] for own in trials if (design := own.item(0, "design")) in ACTIONS))
    return Question(
        id="trial",
        question="What did the trial show?" if len(trials) == 1 else "What did the trials show?",
        answer=findings[0],
        points=tuple(str(finding) for finding in findings[1:]),
        action=" ".join(actions),
        table=page_table(
            report.trial,
            "Trials, one row per arm",
            {
                "trial": "trial", "arm": "arm", "bleeds": "bleeds", "comebacks": "comebacks", "rate": "came back %",
                "unit": "randomised", "units": "how many", "difference": "difference from the first arm %", "lo": "95% low %",
                "hi": "95% high %", "p_value": "p",
            },
            "tables/trial.csv",
        ),
        method=(
            "Comebacks within the window, all bleeds in the arm they were assigned to. The arms are compared by what was "
            "randomised: twelve workshops count as twelve units, however many bleeds they did. Where every workshop, technician or week has "
            "only one arm, that is the unit, whatever is declared. The p-value counts the other ways in which the units could "
            "have been assigned to the arms; look at it once, at the planned end."
        ),
    )  # fmt: skip


def _trial_finding(own: pl.DataFrame) -> Finding:
    """One trial: its first two arms in a sentence, the figures of every arm against the first in the detail."""
    name, design, unit = own.item(0, "trial"), own.item(0, "design"), own.item(0, "unit")
    if design in REASONS:
        return Finding(f"“{name}”: {REASONS[design].format(units=f'{unit}s')}")
    first, others = own.row(0, named=True), own.slice(1).to_dicts()
    tested = [row for row in others if row["p_value"] is not None]
    if not tested:
        return Finding(f"“{name}”: too early to say.", "No bleeds in two arms have been followed for the whole window.")
    outcomes = join_words([f"{_outcome_words(row)} with “{row['arm']}” ({percent(row['rate'])})" for row in tested])
    details = [_arm_difference_text(first, row, len(tested) > 1) for row in tested]
    return Finding(f"“{name}”: {outcomes} than with “{first['arm']}” ({percent(first['rate'])}).", " ".join(details))


def _outcome_words(row: dict[str, Any]) -> str:
    if row["p_value"] > SIGNIFICANT:
        return "not clearly more or fewer comebacks"
    return f"clearly {'fewer' if row['difference'] < 0 else 'more'} comebacks"


def _arm_difference_text(first: dict[str, Any], row: dict[str, Any], several: bool) -> str:
    """The difference with its interval, how many units were compared, and the p-value."""
    units = quantity(first["units"] + row["units"], row["unit"])
    limits = percentage_points(row["difference"], row["lo"], row["hi"])
    arm = f"{row['arm']}: " if several else ""
    if row["lo"] is None:
        return f"{arm}Too few to give an interval: {units} compared, p = {number(row['p_value'])}."
    return f"{arm}Difference {limits}; {units} compared, p = {number(row['p_value'])}."
