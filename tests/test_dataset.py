"""The prepared table: one row a bleed, everything about it beside it."""

import pytest

from analysis.dataset import MIN_COMEBACKS, bleed_data
from analysis.standard import built_in
from schemas.intermediate import Followed, Workload
from schemas.log import Sessions
from tests.build import bleed, comeback, log_of


def test_each_bleed_has_its_own_follow_up_workload_and_steps():
    log = log_of(
        [
            bleed("S2", "2026-01-05T09:00", bike_id="a", kit_purged=False),
            bleed("S1", "2026-01-05T11:00", bike_id="b", kit_purged=True),
        ],
        [comeback("C1", "2026-01-09", bike_id="a", session_id="S2")],
    )
    data = bleed_data(log, built_in(), 90)
    columns = data.bleeds.select("session_id", "bike_id", "return_days", "place_in_day", "bleeds_that_day")
    assert columns.rows() == [("S1", "b", None, 2, 2), ("S2", "a", 4, 1, 2)]
    assert data.missed.select("session_id", "purge").rows() == [("S1", False), ("S2", True)]


def test_it_has_every_column_of_bleeds_follow_up_and_workload():
    data = bleed_data(log_of([]), built_in(), 90)
    for model in (Sessions, Followed, Workload):
        assert set(model.to_schema().columns) <= set(data.bleeds.columns)


@pytest.mark.parametrize(("returned", "too_few"), [(MIN_COMEBACKS - 1, True), (MIN_COMEBACKS, False)])
def test_with_fewer_than_forty_comebacks_nothing_is_estimated(returned, too_few):
    bleeds = [bleed(f"S{i:02d}", "2026-01-05", bike_id=f"b{i}") for i in range(50)]
    back = [comeback(f"C{i}", "2026-05-05", bike_id=f"b{i}", session_id=f"S{i:02d}") for i in range(returned)]
    data = bleed_data(log_of(bleeds, back), built_in(), 90)
    assert (data.comebacks, data.small_sample) == (returned, too_few)
