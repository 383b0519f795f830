"""The service lead's page: call back now, how many come back, better or worse, where it differs, what it costs."""

from __future__ import annotations

from analysis.pages.blocks import Question
from analysis.pages.callback import to_call_back
from analysis.pages.differences import where
from analysis.pages.over_time import how_many, since_when
from analysis.pages.savings import what_comebacks_cost, what_fixing_saves
from analysis.pages.second_look import second_checks, worklist
from analysis.report import Report

QUESTIONS = (
    to_call_back, how_many, since_when, where, what_fixing_saves, worklist, second_checks, what_comebacks_cost
)  # fmt: skip


def lead_questions(report: Report) -> list[Question]:
    """The lead's questions in order of urgency, answered from the report."""
    return [question(report) for question in QUESTIONS]
