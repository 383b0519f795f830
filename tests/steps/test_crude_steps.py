"""Counts of each step, and the crude difference between missed and met."""

import pytest

from analysis.dataset import bleed_data
from analysis.standard import built_in
from analysis.steps.table import crude_step_differences
from tests.build import bleed, comeback, log_of


def purge(states, back=(), day="2026-01-10"):
    rows = [bleed(f"S{i:02d}", day, bike_id=f"b{i}", kit_purged=state) for i, state in enumerate(states)]
    comebacks = [comeback(f"C{i}", "2026-01-20", bike_id=f"b{i}", session_id=f"S{i:02d}") for i in back]
    table = crude_step_differences(bleed_data(log_of(rows, comebacks), built_in(), 90))
    return table.filter(table["step"] == "purge").row(0, named=True)


def test_a_step_not_recorded_is_neither_met_nor_missed():
    row = purge([False, True, True, None])
    assert (row["recorded"], row["missed"], row["share_missed"]) == (3, 1, pytest.approx(1 / 3))


def test_the_crude_difference_is_the_fall_in_the_rate_per_100_if_the_step_were_always_met():
    row = purge([False] * 4 + [True] * 6, back=[0, 1, 4])
    assert row["crude_difference"] == pytest.approx((2 / 4 - 1 / 6) * 0.4 * 100)
    assert row["crude_difference"] == pytest.approx((3 / 10 - 1 / 6) * 100)


def test_bleeds_that_did_not_record_the_step_are_in_neither_rate():
    assert purge([False, True, None], back=[0, 2])["crude_difference"] == pytest.approx((1 - 0) * 0.5 * 100)


@pytest.mark.parametrize("states", [[True] * 5, [False] * 5, [None] * 5])
def test_without_both_misses_and_met_there_is_no_difference(states):
    assert purge(states)["crude_difference"] is None


def test_bleeds_not_yet_followed_for_the_window_do_not_count():
    assert purge([True, False], day="2026-06-20")["crude_difference"] is None


def test_every_step_has_its_row_in_the_standards_order():
    table = crude_step_differences(bleed_data(log_of([]), built_in(), 90))
    assert table["step"].to_list() == [step.id for step in built_in().steps]
    assert table["recorded"].sum() == 0
