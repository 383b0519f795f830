"""A trial is compared by what was randomised, and what was not randomised is not called a trial."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.dataset import bleed_data
from analysis.plan import trials
from analysis.standard import built_in
from tests.build import bleed, comeback, log_of

START = dt.date(2025, 6, 2)
SHOPS = tuple(f"Shop {n}" for n in range(8))


def arm_by_shop(shop: int, _day: int, _n: int) -> str:
    return "new" if shop % 2 else "old"


def trial_of(arm: Callable[[int, int, int], str], unit: str | None, days: int = 80) -> pl.DataFrame:
    """A bleed a day in each of eight workshops; every ninth comes back."""
    rows: list[dict[str, Any]] = []
    for day in range(days):
        for shop, name in enumerate(SHOPS):
            n = len(rows)
            more = {"shop": name, "technician": name, "bike_id": f"b{n}", "trial": "pads", "trial_unit": unit}
            moment = (START + dt.timedelta(days=day)).isoformat()
            rows.append(bleed(f"S{n:04}", moment, **more, trial_arm=arm(shop, day, n)))
    back = [
        comeback(f"C{n}", (START + dt.timedelta(days=n // 8 + 20)).isoformat(), bike_id=f"b{n}", session_id=f"S{n:04}")
        for n in range(0, len(rows), 9)
    ]
    return trials(bleed_data(log_of(rows, back), built_in(), 90), np.random.default_rng(1))


@pytest.mark.parametrize("declared", ["week", "bleed", "bike", "technician", "workshop"])
def test_workshops_that_hold_one_arm_each_are_the_unit_whatever_is_declared(declared: str) -> None:
    table = trial_of(arm_by_shop, declared)
    assert table.get_column("unit").to_list() == ["workshop", "workshop"]
    assert table.get_column("units").to_list() == [4, 4]
    assert table.item(1, "p_value") >= 2 / 70  # no permutation of eight workshops can say more


def test_weeks_are_each_workshops_own() -> None:
    table = trial_of(lambda shop, day, _: "new" if (shop + day // 7) % 2 else "old", "week")
    assert table.item(1, "design") == "randomised"
    assert table.get_column("units").sum() == 8 * 12


def test_bleeds_are_compared_one_by_one_where_they_were_randomised() -> None:
    table = trial_of(lambda _s, _d, n: "new" if n // 3 % 2 else "old", "bleed")
    assert (table.item(1, "unit"), table.item(1, "units")) == ("bleed", 321)
    assert table.item(1, "lo") < table.item(1, "difference") < table.item(1, "hi")


@pytest.mark.parametrize(
    ("arm", "unit", "design"),
    [
        (arm_by_shop, None, "undeclared"),
        (lambda _s, day, _n: "new" if day > 40 else "old", "week", "before_after"),
        (lambda shop, day, _n: "new" if day > 8 * shop else "old", "workshop", "mixed"),
    ],
    ids=["no unit declared", "one arm after the other", "workshops that changed arms"],
)
def test_what_was_not_randomised_by_a_declared_unit_is_not_tested(
    arm: Callable[[int, int, int], str], unit: str | None, design: str
) -> None:
    table = trial_of(arm, unit)
    assert table.get_column("design").unique().to_list() == [design]
    assert table.get_column("p_value").null_count() == 2
    assert table.get_column("rate").null_count() == 0


def test_a_log_without_a_trial_has_no_rows() -> None:
    log = log_of([bleed("S1", "2026-01-02")])
    assert trials(bleed_data(log, built_in(), 90), np.random.default_rng(1)).is_empty()
