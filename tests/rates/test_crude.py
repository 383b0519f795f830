"""Raw rates: whom they count, under which group, and what is left empty."""

import polars as pl
import pytest

from analysis.dataset import bleed_data
from analysis.rates.crude import crude_rates
from analysis.standard import built_in
from analysis.stats import wilson
from analysis.survival import aalen_johansen, event_type, incidence_limits
from tests.build import bleed, comeback, log_of


def log(shops=("Alder", "Birch", None), bleeds=6):
    rows, back = [], []
    for number in range(bleeds * len(shops)):
        shop, day = shops[number % len(shops)], f"2026-{1 + number % 6:02d}-10"
        rows.append(bleed(f"S{number:02d}", day, bike_id=f"b{number}", shop=shop))
        if number % 4 == 0:
            back.append(
                comeback(
                    f"C{number}",
                    f"2026-{1 + number % 6:02d}-15",
                    bike_id=f"b{number}",
                    session_id=rows[-1]["session_id"],
                )
            )
    return log_of(rows, back)


@pytest.fixture
def build():
    return bleed_data(log(), built_in(), 90)


def group(table, kind, name):
    return table.filter(pl.col("kind") == kind, pl.col("group") == name).row(0, named=True)


def test_a_rate_is_comebacks_over_mature_bleeds_with_wilsons_limits(build):
    row = group(crude_rates(build), "all", "all")
    mature = build.bleeds.filter("mature")
    assert (row["sessions"], row["mature"], row["comebacks"]) == (18, mature.height, mature["came_back"].sum())
    limits = wilson(row["comebacks"], row["mature"])
    assert (row["rate_lo"], row["rate_hi"]) == pytest.approx((float(limits.lo), float(limits.hi)))


def test_a_recent_bleed_that_came_back_is_in_the_incidence_but_not_in_the_rate(build):
    young = bleed_data(
        log_of([bleed("S1", "2026-06-20")], [comeback("C1", "2026-06-25", session_id="S1")]), built_in(), 90
    )
    row = group(crude_rates(young), "all", "all")
    assert (row["mature"], row["comebacks"], row["rate"]) == (0, 0, None)
    assert row["incidence"] == 1


def test_the_incidence_of_each_group_is_estimated_as_if_alone(build):
    table = crude_rates(build)
    for name in ("Alder", "Birch"):
        own = build.bleeds.filter(pl.col("shop") == name)
        curve = aalen_johansen(own["days_at_risk"].to_numpy(), event_type(own))
        place = curve.index_at(90)
        limits = incidence_limits(curve.incidence[[place]], curve.variance[[place]])
        row = group(table, "shop", name)
        assert row["incidence"] == pytest.approx(curve.incidence[place])
        assert (row["incidence_lo"], row["incidence_hi"]) == pytest.approx((limits.lo[0], limits.hi[0]))


def test_a_bleed_without_a_group_is_in_not_recorded(build):
    assert group(crude_rates(build), "shop", "not recorded")["sessions"] == 6


def test_the_groups_of_a_kind_add_up_to_all(build):
    table = crude_rates(build)
    counts = ("sessions", "mature", "comebacks")
    whole = table.filter(pl.col("kind") == "all").select(counts).row(0)
    for kind in ("shop", "technician", "brake"):
        assert table.filter(pl.col("kind") == kind).select(counts).sum().row(0) == whole


def test_a_kind_recorded_for_no_bleed_is_left_out(build):
    assert set(crude_rates(build)["kind"]) == {"all", "shop", "technician", "brake"}


def test_a_window_no_bleed_was_followed_for_is_left_empty():
    young = bleed_data(log_of([bleed("S1", "2026-06-20")]), built_in(), 90)
    assert group(crude_rates(young), "all", "all")["incidence"] is None


def test_a_log_without_bleeds_has_no_groups():
    assert crude_rates(bleed_data(log_of([]), built_in(), 90)).is_empty()
