"""The demo compares the planted problems with the report: found, missed, false alarms."""

from __future__ import annotations

from dataclasses import astuple, replace

import polars as pl
import pytest

from analysis.commands.demo import DETECTED, FALSE_ALARM, MISSED, demo_findings
from analysis.report import Report
from synthetic import PLANTED_PROBLEMS
from tests.shops import report

SCHEMA = {"kind": pl.String, "subject": pl.String, "month": pl.Int64, "description": pl.String}


def with_signal(who: str, signal: str) -> Report:
    """The report with this signal for one technician and none for the others."""
    result = report()
    one = pl.when(pl.col("group") == who).then(pl.lit(signal)).otherwise(pl.lit("none"))
    return replace(result, rates=result.rates.with_columns(signal=one))


def planted(kind: str, who: str) -> pl.DataFrame:
    return pl.DataFrame([(kind, who, None, "as planted")], schema=SCHEMA, orient="row")


def anyone() -> str:
    return str(report().rates.filter(pl.col("kind") == "technician").get_column("group").sort()[0])


def test_a_planted_technician_is_found_with_a_signal_and_missed_without() -> None:
    who = anyone()
    assert demo_findings(with_signal(who, "high"), planted("easy_work", who))[0].outcome == DETECTED
    assert demo_findings(with_signal(who, "none"), planted("easy_work", who))[0].outcome == MISSED


@pytest.mark.parametrize(("signal", "word"), [("high", "more"), ("low", "fewer")])
def test_a_signal_that_nobody_planted_is_a_false_alarm_in_either_direction(signal: str, word: str) -> None:
    who = anyone()
    result = demo_findings(with_signal(who, signal), planted("easy_work", "Nobody"))
    mine = [one for one in result if one.subject == who and "comebacks" in one.description]
    assert [(one.outcome, one.description) for one in mine] == [
        (FALSE_ALARM, f"{word} comebacks than expected for the work")
    ]


def test_no_signal_is_no_false_alarm() -> None:
    result = demo_findings(with_signal("Nobody", "high"), planted("easy_work", "Nobody"))
    assert not [one for one in result if one.outcome == FALSE_ALARM and "comebacks" in one.description]


def test_a_step_is_named_by_what_went_wrong() -> None:
    findings = demo_findings(report(), planted("harmless_steps", "purge reach"))
    titles = {step.id: step.missed_title for step in report().standard.steps}
    assert findings[0].subject == f"“{titles['purge']}”, “{titles['reach']}”"


def test_every_planted_problem_of_the_demo_has_a_check() -> None:
    table = pl.DataFrame([astuple(problem) for problem in PLANTED_PROBLEMS], schema=SCHEMA, orient="row")
    outcomes = [finding.outcome for finding in demo_findings(report(), table)[: table.height]]
    assert set(outcomes) <= {DETECTED, MISSED}
