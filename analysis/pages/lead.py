"""The service lead's page: recalls, the comeback rate, changes, differences, savings, second checks, costs."""

from __future__ import annotations

from analysis.pages.lead_differences import difference_question
from analysis.pages.lead_holds import recall_question
from analysis.pages.lead_lots import lot_question
from analysis.pages.lead_measures import measure_question
from analysis.pages.lead_rates import change_question, rate_question
from analysis.pages.lead_savings import cost_question, saving_question
from analysis.pages.lead_since import since_questions
from analysis.pages.lead_trial import trial_question
from analysis.pages.lead_worklist import second_check_question, worklist_question
from analysis.pages.question import Question
from analysis.report import Report

QUESTIONS = (
    recall_question,
    rate_question,
    change_question,
    difference_question,
    saving_question,
    worklist_question,
    second_check_question,
    cost_question,
)


def lead_questions(report: Report) -> list[Question]:
    """The lead's questions, most urgent first, answered from the report."""
    chosen = list(QUESTIONS)
    optional = (
        (report.measure_effects, measure_question, difference_question),
        (report.lots, lot_question, saving_question),
    )
    for table, question, following in optional:
        if not table.is_empty():
            chosen.insert(chosen.index(following), question)
    if not report.trial.is_empty():
        chosen.append(trial_question)
    return [*since_questions(report), *(question(report) for question in chosen)]
