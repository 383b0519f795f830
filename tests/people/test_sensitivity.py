"""What a flag does to the ranking of steps."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from analysis.dataset import BleedData
from analysis.people import add_ranking_sensitivity
from analysis.people.credibility import leave_technician_out
from schemas import empty, validate_table
from schemas.intermediate import MissedSteps
from schemas.outputs import Credibility
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import prepared_of


@pytest.fixture(scope="module")
def shop() -> BleedData:
    return prepared_of(simulate(replace(scenario_workshop("base", 1500), technicians=4), 4))


def doubt(technician: str) -> pl.DataFrame:
    row = {"technician": technician, "test": "copied_entries", "n": 100, "flag": True}
    calm = {"technician": technician, "test": "impossible_durations", "n": 100, "flag": False}
    return validate_table(Credibility, pl.DataFrame([row, calm], schema=empty(Credibility).schema))


def busiest(shop: BleedData) -> str:
    return str(shop.bleeds.get_column("technician").mode().sort()[0])


def test_ordinary_entries_left_out_leave_the_ranking_as_it_is(shop: BleedData) -> None:
    flagged, calm = add_ranking_sensitivity(shop, doubt(busiest(shop))).select("ranking_tau", "ranking_holds").rows()
    assert flagged[1] is True
    assert flagged[0] > 0.5
    assert calm == (None, None)


def test_a_ranking_that_depends_on_one_technicians_entries_is_reported(shop: BleedData) -> None:
    """One writes afterwards that reach was missed wherever a bike came back: without those entries it costs nothing."""
    who = busiest(shop)
    own = pl.Series((shop.bleeds["technician"] == who) & shop.bleeds["return_days"].is_not_null())
    invented = shop.missed.with_columns(reach=pl.when(own).then(True).otherwise(pl.col("reach")))
    message = add_ranking_sensitivity(replace(shop, missed=validate_table(MissedSteps, invented)), doubt(who))
    assert message.filter("flag")["ranking_holds"].item() is False


def test_one_technicians_bleeds_are_taken_out_of_both_tables(shop: BleedData) -> None:
    who = busiest(shop)
    rest = leave_technician_out(shop, who)
    assert who not in rest.bleeds["technician"]
    assert rest.bleeds["session_id"].to_list() == rest.missed["session_id"].to_list()


def test_without_flags_nothing_is_estimated_again(shop: BleedData) -> None:
    calm = doubt("Wren").with_columns(flag=pl.lit(False))
    assert add_ranking_sensitivity(shop, validate_table(Credibility, calm))["ranking_holds"].count() == 0
