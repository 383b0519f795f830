"""Follow-up of every case of the table; maturity, workload and the days on which returns were recorded."""

import datetime as dt

import polars as pl
import pytest

from analysis.standard import built_in
from analysis.survival import ObservationWindow, add_follow_up, incidence, match_returns, workload
from tests.build import bleed, comeback, log_of
from tests.survival.follow_up_cases import CASES


@pytest.fixture(scope="module")
def follow_up_of_cases():
    """Follow-up of one log with every case, each on a different bike."""
    bleeds, back = [], []
    for number, case in enumerate(CASES):
        own = {"bike_id": f"b{number}"}
        ids = [f"{number}-S{i}" for i in range(1, len(case.bleeds) + 1)]
        bleeds += [bleed(i, day, **own, **others) for i, (day, others) in zip(ids, case.bleeds, strict=True)]
        links = case.links or (ids[0],) * len(case.returns)
        back += [
            comeback(f"{number}-C{i}", day, session_id=link, **own, **others)
            for i, ((day, others), link) in enumerate(zip(case.returns, links, strict=True))
        ]
    return add_follow_up(log_of(bleeds, back), built_in(), 90)


@pytest.mark.parametrize(("number", "case"), list(enumerate(CASES)), ids=lambda case: getattr(case, "reason", ""))
def test_the_first_bleeds_time_at_risk_ends_as_in_the_table(follow_up_of_cases, number, case):
    row = follow_up_of_cases.row(by_predicate=pl.col("session_id") == f"{number}-S1", named=True)
    assert (row["end"], row["days_at_risk"], row["came_back"], row["next_bleed_days"]) == case.expected


@pytest.mark.parametrize(("day", "mature"), [("2026-04-01", True), ("2026-04-02", False)])
def test_a_bleed_is_mature_ninety_days_before_the_as_of_date(day, mature):
    assert add_follow_up(log_of([bleed("S1", day)]), built_in(), 90).get_column("mature").to_list() == [mature]


def test_a_bleed_before_returns_were_recorded_is_not_a_success():
    log = log_of([bleed("S1", "2025-01-01"), bleed("S2", "2026-01-01", bike_id="other")])
    table = add_follow_up(log, built_in(), 90, ObservationWindow(returns_from=dt.date(2025, 6, 1)))
    assert table.get_column("mature").to_list() == [False, True]
    assert table.get_column("days_at_risk").to_list() == [0, 180]


def test_time_at_risk_ends_when_returns_stopped_being_recorded():
    table = add_follow_up(
        log_of([bleed("S1", "2026-01-01")]), built_in(), 90, ObservationWindow(returns_to=dt.date(2026, 2, 1))
    )
    assert table.row(0, named=True)["days_at_risk"] == 31
    assert table.get_column("mature").to_list() == [False]


def test_workload_counts_the_technicians_day_in_order():
    log = log_of(
        [
            bleed("S1", "2026-01-05T14:00", bike_id="a"),
            bleed("S2", "2026-01-05T09:00", bike_id="b"),
            bleed("S3", "2026-01-05T10:00", bike_id="c", technician="Flint"),
        ]
    )
    assert workload(log).rows() == [("S1", 2, 2), ("S2", 2, 1), ("S3", 1, 1)]


def test_an_empty_log_has_an_empty_follow_up_and_incidence():
    log = log_of([])
    assert add_follow_up(log, built_in(), 90).is_empty()
    assert incidence(add_follow_up(log, built_in(), 90)).is_empty()
    assert match_returns(log, built_in(), 90).is_empty()


def test_recent_bleeds_are_censored_not_counted_as_successes():
    old = [bleed(f"S{i}", "2026-01-01", bike_id=f"b{i}") for i in range(4)]
    young = [bleed(f"Y{i}", "2026-06-29", bike_id=f"y{i}") for i in range(96)]
    back = [comeback("C1", "2026-02-01", bike_id="b0")]
    table = incidence(add_follow_up(log_of(old + young, back, {"C1": "S0"}), built_in(), 90))
    assert table.get_column("incidence").max() == pytest.approx(0.25)
    assert table.filter(pl.col("day") == 31).get_column("at_risk").item() == 4


def test_limits_are_finite_after_the_last_bleed_at_risk():
    bleeds = [bleed(f"S{i}", f"2026-0{i}-01", bike_id=f"b{i}") for i in range(1, 6)]
    table = incidence(
        add_follow_up(log_of(bleeds, [comeback("C1", "2026-04-11", bike_id="b4")], {"C1": "S4"}), built_in(), 90)
    )
    assert table.select(pl.col("lo", "hi").is_finite().all()).row(0) == (True, True)


def test_a_return_recorded_on_the_day_of_the_repair_counts_once():
    log = log_of(
        [bleed("S1", "2026-01-01"), bleed("S2", "2026-02-01", job_reason="comeback")],
        [comeback("C1", "2026-02-01", session_id="S1")],
    )
    assert match_returns(log, built_in(), 90).rows() == [("S1", 31, "C1", None)]


def test_a_return_by_job_reason_names_the_repair():
    log = log_of([bleed("S1", "2026-01-01"), bleed("S2", "2026-02-01", job_reason="soft_lever")])
    assert match_returns(log, built_in(), 90).rows() == [("S1", 31, None, "S2")]
