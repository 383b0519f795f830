"""Second checks: what they catch, cost and save, and the list there is time for."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from analysis.risk import SecondCheckCost, second_checks
from analysis.risk.second_checks import worklist
from analysis.standard import SecondCheck

CHECK = SecondCheck(minutes=6, sensitivity=0.5, per_week=10, worklist_days=7)
COST = SecondCheckCost(CHECK, comeback_minutes=60, bleeds_per_year=5217.857142857143)
RISK = np.linspace(0.5, 0.01, 1000)
BACK = np.zeros(1000, dtype=bool)
BACK[[*range(30), *range(200, 220), 900]] = True


def row(share: float) -> dict[str, float]:
    table = second_checks(RISK, BACK, COST)
    return next(one for one in table.iter_rows(named=True) if one["share"] == pytest.approx(share))


def test_a_tenth_checked_is_reckoned_by_hand() -> None:
    tenth = row(0.1)
    assert tenth["caught_per_100_comebacks"] == pytest.approx(100 * 30 / 51)
    assert tenth["precision"] == pytest.approx(0.3)
    assert tenth["threshold"] == pytest.approx(RISK[99])
    saved = 0.5 * 60 * 30 / 1000 - 6 * 0.1
    assert tenth["minutes_saved"] == pytest.approx(saved * COST.bleeds_per_year)
    assert tenth["minutes_saved_lo"] < tenth["minutes_saved"] < tenth["minutes_saved_hi"]


def test_the_share_there_is_time_for_and_the_worthwhile_one_stand_in_the_table() -> None:
    assert COST.affordable_share == pytest.approx(0.1)
    assert COST.worthwhile_risk == pytest.approx(0.2)
    assert row(float((RISK >= 0.2).mean()))["threshold"] >= 0.2
    assert row(0.1)["checks_per_week"] == pytest.approx(10)


def test_a_check_that_finds_nothing_is_never_worthwhile() -> None:
    never = SecondCheckCost(SecondCheck(6, 0.0, 10, 7), 60, 1000)
    assert never.worthwhile_risk == 1
    assert (second_checks(RISK, BACK, never)["minutes_saved"] < 0).all()


def test_too_few_comebacks_give_no_table() -> None:
    assert second_checks(RISK, BACK & (np.arange(1000) < 9), COST).is_empty()


def test_the_worklist_holds_the_riskiest_recent_bleeds_still_out() -> None:
    as_of = dt.date(2026, 6, 30)
    table = pl.DataFrame(
        {
            "session_id": ["old", "back", "low", "high", "middle"],
            "day": [dt.date(2026, 6, 23), as_of, as_of, dt.date(2026, 6, 24), as_of],
            "risk": [0.9, 0.8, 0.1, 0.7, 0.2],
            "out": [True, False, True, True, True],
        }
    )
    two = SecondCheck(6, 0.7, 2, 7)
    assert worklist(table, two, as_of).tolist() == [False, False, False, True, True]
