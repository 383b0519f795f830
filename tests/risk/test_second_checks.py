"""Second checks: what they catch, cost and save, and the list there is time for."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from analysis.risk import BleedOutcomes, SecondCheckCost, second_checks
from analysis.risk.second_checks import worklist
from analysis.standard import SecondCheck

CHECK = SecondCheck(minutes=6, sensitivity=0.5, per_week=10, worklist_days=7)
COST = SecondCheckCost(CHECK, comeback_minutes=60, bleeds_per_year=5217.857142857143)
RISK = np.linspace(0.5, 0.01, 1000)
BACK = np.zeros(1000, dtype=bool)
BACK[[*range(30), *range(200, 220), 900]] = True
LATE = np.full(1000, 30)
EACH_ITS_OWN = np.arange(1000)


def outcomes(came_back: np.ndarray = BACK, days: np.ndarray = LATE, bike: np.ndarray = EACH_ITS_OWN) -> BleedOutcomes:
    return BleedOutcomes(came_back, days, bike)


def row(share: float) -> dict[str, float]:
    table = second_checks(RISK, outcomes(), COST)
    return next(one for one in table.iter_rows(named=True) if one["share"] == pytest.approx(share))


def test_a_tenth_checked_is_calculated_by_hand() -> None:
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
    assert (second_checks(RISK, outcomes(), never)["minutes_saved"] < 0).all()


def test_too_few_comebacks_give_no_table() -> None:
    assert second_checks(RISK, outcomes(BACK & (np.arange(1000) < 9)), COST).is_empty()


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
    assert worklist(table, two, as_of, 0.05).tolist() == [False, False, False, True, True]
    assert worklist(table, two, as_of, 0.5).tolist() == [False, False, False, True, False]  # the rest are not worth it


def test_bringing_a_bike_back_raises_the_risk_from_which_a_check_pays() -> None:
    """By hand: 6 minutes, or 6 and 9, against half of 60."""
    assert CHECK.break_even_risk(60) == pytest.approx(6 / 30)
    assert SecondCheck(6, 0.5, 10, 7, recall_minutes=9).break_even_risk(60) == pytest.approx(15 / 30)
    assert SecondCheck(6, 0.0, 10, 7).break_even_risk(60) == 1


def test_comebacks_before_the_next_list_are_not_caught() -> None:
    """Back after 3 days of a weekly list: met with chance 3 in 7; on the first day never; their checks are not made."""
    table = second_checks(RISK, outcomes(days=np.full(1000, 3)), COST).filter(pl.col("share") == 1)
    assert table["caught_per_100_comebacks"].item() == pytest.approx(100 * 3 / 7)
    created = 1000 - 51 * 4 / 7
    saved = (0.5 * 60 * 51 * 3 / 7 - 6 * created) / 1000 * COST.bleeds_per_year
    assert table["minutes_saved"].item() == pytest.approx(saved)
    assert (second_checks(RISK, outcomes(days=np.zeros(1000)), COST)["caught_per_100_comebacks"] == 0).all()


def test_limits_of_the_minutes_are_those_of_comebacks_caught_per_bleed() -> None:
    """All bleeds checked: the number that comes back is all that is uncertain; Wilson's limits of 51 of 1,000 by hand."""
    everything = row(1.0)
    n, p, z = 1000, 0.051, 1.959964
    reach = z * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    for name, rate in (("minutes_saved_lo", middle - reach), ("minutes_saved_hi", middle + reach)):
        assert everything[name] == pytest.approx((0.5 * 60 * rate - 6) * COST.bleeds_per_year, rel=1e-6)


def test_limits_of_the_minutes_allow_for_a_share_found_that_is_estimated() -> None:
    """250 draws of the faults that a check finds and of the comebacks; the truth is 70% of 5%."""
    rng, covered = np.random.default_rng(3), {0: 0, 8: 0}
    truth = (60 * 0.7 * 0.05 - 6) * 1000
    for _ in range(250):
        share, back = rng.binomial(8, 0.7) / 8, np.arange(1000) < rng.binomial(1000, 0.05)
        for faults in covered:
            cost = SecondCheckCost(SecondCheck(6, share, 10, 7), 60, 1000, faults)
            [all_checked] = second_checks(RISK, outcomes(back), cost).filter(pl.col("share") == 1).to_dicts()
            covered[faults] += all_checked["minutes_saved_lo"] <= truth <= all_checked["minutes_saved_hi"]
    assert covered[0] < 212 < 225 <= covered[8]


def test_bikes_that_come_back_again_and_again_widen_the_limits() -> None:
    crowded = second_checks(RISK, outcomes(bike=np.arange(1000) // 10), COST).filter(pl.col("share") == 0.1)
    widths = [table["minutes_saved_hi"].item() - table["minutes_saved_lo"].item() for table in (crowded, _tenth())]
    assert widths[0] > 1.5 * widths[1]


def _tenth() -> pl.DataFrame:
    return second_checks(RISK, outcomes(), COST).filter(pl.col("share") == 0.1)


@pytest.mark.parametrize("share", [0.1, 1.0])
def test_the_interval_of_the_minutes_holds_the_truth(share: float) -> None:
    """1,000 draws of 800 bleeds whose risks are known; the truth is each check's expected saving."""
    rng = np.random.default_rng(12)
    risk = np.sort(rng.beta(1, 12, 800))[::-1]
    cost = SecondCheckCost(SecondCheck(6, 0.7, 15, 7, recall_minutes=5), 50, 1000)
    number = round(share * 800)
    in_time = np.mean(np.clip((np.arange(90) + 1) / 7, 0, 1))
    created = 1 - risk[:number] * (1 - in_time)
    truth = float((0.7 * 50 * risk[:number] * in_time - 11 * created).sum()) / 800 * 1000
    covered = 0
    for _ in range(1000):
        back = BleedOutcomes(rng.random(800) < risk, 1 + rng.integers(0, 90, 800), np.arange(800))
        table = second_checks(risk, back, cost).filter(pl.col("share") == share)
        covered += table["minutes_saved_lo"].item() <= truth <= table["minutes_saved_hi"].item()
    assert covered / 1000 > 0.93
