"""Whether new technicians miss no more steps than experienced ones: not yet, about as good as peers, needs help."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.charts import learning_curves
from analysis.pages.labels import done_title, with_missed_titles
from analysis.pages.question import Finding, Question, chart_specs, page_table
from analysis.pages.text import capitalised, estimate, join_words, quantity
from analysis.report import Report

VERDICTS = {
    "not_yet": "not yet",
    "cleared": "about as good as peers",
    "needs_help": "needs help",
    "too_few": "too few bleeds or peers to say",
}


def learner_question(report: Report) -> Question:
    """How far each learner is."""
    learners = report.learners
    table = with_missed_titles(report, learners).with_columns(pl.col("verdict").replace(VERDICTS))
    return Question(
        id="learners",
        question="How far along are the learners?",
        answer=_learners_finding(learners),
        points=tuple(_learner_text(report, row) for row in learners.iter_rows(named=True)),
        action=(
            "Watch one of their bleeds before you sign anybody off. Sign-off is the trainer's decision."
            if learners.height
            else ""
        ),
        charts=chart_specs(learning_curves(report.learner_curves)) if report.learner_curves.height else (),
        table=page_table(
            table,
            "Technicians who started during the log",
            {
                "technician": "technician", "started_on": "first day", "bleeds": "bleeds since", "share_missed": "missed %",
                "peer_share": "experienced peers %", "ratio": "missed / expected", "ratio_lo": "95% low", "ratio_hi": "95% high",
                "recent_ratio": "last 50 bleeds", "recent_lo": "95% low", "recent_hi": "95% high", "comebacks": "comebacks",
                "expected_comebacks": "expected", "verdict": "so far", "cleared_after": "after bleeds",
            },
            "tables/learners.csv",
        ),
        method=(
            "Every recorded step of every bleed is compared with what experienced technicians miss on similar work. A "
            "learning-curve CUSUM starts from “not good enough” and adds up the evidence. Somebody who misses 1.5 times as many "
            "steps as peers passes within 300 bleeds in at most 5 of 100 cases. Somebody as good as their peers is flagged as "
            "needing help in at most 5 of 100. The first day is the one recorded or, failing that, the first bleed in the log. Comebacks "
            "are shown but not used for the decision: they come too late and there are too few of them."
        ),
    )  # fmt: skip


def _learners_finding(learners: pl.DataFrame) -> Finding:
    if learners.is_empty():
        return Finding("Nobody started during the log.", "Add each technician's first day to see who is learning.")
    groups = [
        (f"{text}: {join_words(names)}")
        for verdict, text in VERDICTS.items()
        if (names := learners.filter(pl.col("verdict") == verdict).get_column("technician").to_list())
    ]
    return Finding(f"{quantity(learners.height, 'learner')}.", capitalised(f"{'; '.join(groups)}."))


def _learner_text(report: Report, row: dict[str, Any]) -> str:
    since = "the first day" if row["first_day_known"] else "the first bleed in the log"
    head = f"{row['technician']}, {quantity(row['bleeds'], 'bleed')} since {since} ({row['started_on']}): {_verdict_words(row)}."
    if row["ratio"] is None:
        return head
    shares = (
        f" {estimate(row['ratio'], row['ratio_lo'], row['ratio_hi'])} times the misses of experienced peers; in the last 50 "
        f"bleeds {estimate(row['recent_ratio'], row['recent_lo'], row['recent_hi'])}."
    )
    return f"{head}{shares}{_help_advice(report, row)}"


def _verdict_words(row: dict[str, Any]) -> str:
    if row["verdict"] == "cleared":
        return f"shown to be about as good as peers after {quantity(row['cleared_after'], 'bleed')}"
    if row["verdict"] == "not_yet" and row["usual_bleeds"] is not None:
        return f"not yet; half of those as good as their peers get there within {row['usual_bleeds']:.0f} bleeds"
    return VERDICTS[row["verdict"]]


def _help_advice(report: Report, row: dict[str, Any]) -> str:
    """The step to look at, for those who need help."""
    if row["verdict"] != "needs_help" or row["step"] is None:
        return ""
    return (
        f" Start with “{done_title(report, row['step'])}”: missed in {row['step_missed']} of the last "
        f"{quantity(row['step_recorded'], 'bleed')} ({row['step_peer_share']:.0%} among peers). Look at jobs "
        f"{join_words(str(row['example_sessions']).split())}."
    )
