"""What the demo says of its stories is read from the tables: found, missed, and whatever was raised that nobody planted."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from analysis.commands.demo_findings import DETECTED, FALSE_ALARM, MISSED, demo_findings
from analysis.report import Report
from tests.shops import report

SCHEMA = {"story": pl.Int64, "who": pl.String, "month": pl.Int64, "what": pl.String}


def with_signal(who: str, signal: str) -> Report:
    """The same report, everybody within chance but one."""
    told = report()
    one = pl.when(pl.col("group") == who).then(pl.lit(signal)).otherwise(pl.lit("none"))
    return replace(told, rates=told.rates.with_columns(signal=one))


def planted(story: int, who: str) -> pl.DataFrame:
    return pl.DataFrame([(story, who, None, "as planted")], schema=SCHEMA, orient="row")


def anyone() -> str:
    return str(report().rates.filter(pl.col("kind") == "technician").get_column("group").sort()[0])


def test_a_planted_worker_is_found_by_a_signal_and_missed_without_one() -> None:
    who = anyone()
    assert demo_findings(with_signal(who, "high"), planted(2, who))[0].outcome == DETECTED
    assert demo_findings(with_signal(who, "none"), planted(2, who))[0].outcome == MISSED


@pytest.mark.parametrize(("signal", "word"), [("high", "more"), ("low", "fewer")])
def test_a_signal_that_nobody_planted_is_told_in_either_direction(signal: str, word: str) -> None:
    who = anyone()
    told = demo_findings(with_signal(who, signal), planted(2, "Nobody"))
    mine = [one for one in told if one.subject == who and "comebacks" in one.description]
    assert [(one.outcome, one.description) for one in mine] == [
        (FALSE_ALARM, f"{word} comebacks than the same work explains")
    ]


def test_nothing_raised_is_nothing_told() -> None:
    told = demo_findings(with_signal("Nobody", "high"), planted(2, "Nobody"))
    assert not [one for one in told if one.outcome == FALSE_ALARM and "comebacks" in one.description]
