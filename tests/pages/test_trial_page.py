"""The trial on the lead's page: what it showed, or why nothing was tested."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import polars as pl
import pytest

from analysis.pages.lead import lead_questions
from analysis.pages.lead_trial import trial_question
from analysis.report import Report
from schemas import empty, validate_table
from schemas.outputs import Trial
from tests.shops import report

OLD = {
    "trial": "Long purge",
    "arm": "as before",
    "bleeds": 1041,
    "comebacks": 62,
    "rate": 0.06,
    "unit": "workshop",
    "units": 6,
}
NEW = OLD | {"arm": "changed", "bleeds": 1047, "comebacks": 42, "rate": 0.04}


def with_trial(design: str, **of_new: Any) -> Report:
    rows = [row | {"design": design} for row in (OLD, NEW | of_new)]
    table = pl.DataFrame(rows, schema=empty(Trial).schema)
    return replace(report(), trial=validate_table(Trial, table))


def test_a_clear_result_names_both_rates_the_units_and_p() -> None:
    answer = trial_question(with_trial("randomised", difference=-0.02, lo=-0.035, hi=-0.005, p_value=0.011)).answer
    assert answer.text == "“Long purge”: clearly fewer comebacks with “changed” (4.0%) than with “as before” (6.0%)."
    assert answer.detail == "Difference −2.0 points (−3.5 to −0.5); 12 workshops compared, p = 0.011."


def test_a_difference_that_the_draw_could_give_is_not_clear() -> None:
    answer = trial_question(with_trial("randomised", difference=-0.02, p_value=0.3)).answer
    assert "not clearly more or fewer comebacks with “changed”" in answer.text
    assert answer.detail.startswith("Too few to give an interval: 12 workshops compared")


@pytest.mark.parametrize(
    ("design", "words"),
    [
        ("before_after", "a before/after comparison, not a trial"),
        ("undeclared", "does not say what was randomised"),
        ("mixed", "some of the workshops that were randomised have bleeds in more than one arm"),
    ],
)
def test_what_cannot_be_tested_says_why_and_what_to_do(design: str, words: str) -> None:
    question = trial_question(with_trial(design))
    assert words in question.answer.text
    assert question.action


def test_the_lead_is_asked_about_trials_only_where_there_are_any() -> None:
    assert "trial" in {question.id for question in lead_questions(with_trial("undeclared"))}
    assert "trial" not in {question.id for question in lead_questions(replace(report(), trial=empty(Trial)))}
