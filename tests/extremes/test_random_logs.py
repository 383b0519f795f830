"""Whole audits of logs drawn at random: none ends in a traceback, and every row is accounted for.

A case that fails is made again by its number: `write_random_log(number, folder)`.
"""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from analysis import built_in, read_log, run_audit
from analysis.errors import UserError
from tests.extremes.random_logs import write_random_log
from tests.extremes.workshops import BLEEDS, usual

QUICK, SLOW, AT_ONCE = 500, 10_000, 100
AS_OF = dt.date(2026, 7, 1)


def audited(number: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        rows = write_random_log(number, Path(folder))
        try:
            log = read_log([folder], as_of=AS_OF)
            report = run_audit(log, built_in())
        except UserError:
            assert rows == 0, number
            return
        table = log.intake.filter(log.intake["table"] == "sessions")
        assert table["rows_read"].sum() == rows, number
        assert log.sessions.height + table["set_aside"].sum() + table["duplicates"].sum() == rows, number
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


@pytest.mark.parametrize("gap", [0, 1, 20])
def test_a_log_in_which_everybody_came_back_the_same_day_after_is_audited(tmp_path: Path, gap: int) -> None:
    log = usual(np.random.default_rng(3)).with_columns(
        hose_route=pl.Series(["internal", "external"] * (BLEEDS // 2)),
        settle_minutes=pl.int_range(pl.len()) % 3 * 5,
        job_reason=pl.lit("scheduled"),  # else a bleed on the day of a return is taken to be its repair
    )
    log.drop("back").write_csv(tmp_path / "sessions.csv")
    log.select("bike_id", "brake", returned_at=pl.col("started_at").dt.offset_by(f"{gap}d")).with_columns(
        comeback_id=pl.format("R{}", pl.int_range(pl.len())), complaint=pl.lit("soft_lever"), finding=pl.lit("air")
    ).write_csv(tmp_path / "comebacks.csv")
    report = run_audit(read_log([str(tmp_path)]), built_in())
    assert report.rates.filter(pl.col("kind") == "all")["rate"].to_list() == [1.0]
