"""Whole audits of logs drawn at random: none ends in a traceback, and every row is accounted for.

A case that fails is made again by its number: `write_random_log(number, folder)`.
"""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path

import pytest

from analysis import audit, built_in, read_log
from analysis.errors import CannotRun
from tests.extremes.random_logs import write_random_log

QUICK, SLOW, AT_ONCE = 200, 10_000, 100
AS_OF = dt.date(2026, 7, 1)


def audited(number: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        rows = write_random_log(number, Path(folder))
        try:
            log = read_log([folder], as_of=AS_OF)
            report = audit(log, built_in())
        except CannotRun:
            assert rows == 0, number
            return
        table = log.intake.filter(log.intake["table"] == "sessions")
        assert table["rows_read"].sum() == rows, number
        assert log.sessions.height + table["set_aside"].sum() + table["copies"].sum() == rows, number
        every = report.rates.filter(report.rates["kind"] == "all")
        assert every.height <= 1, number


@pytest.mark.parametrize("number", range(QUICK))
def test_a_random_log_is_audited_and_its_rows_add_up(number: int) -> None:
    audited(number)


@pytest.mark.slow
@pytest.mark.parametrize("start", range(QUICK, SLOW, AT_ONCE))
def test_many_random_logs_are_audited_and_their_rows_add_up(start: int) -> None:
    for number in range(start, min(start + AT_ONCE, SLOW)):
        audited(number)
