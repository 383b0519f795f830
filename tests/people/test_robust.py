"""What a flag does to the ranking of steps."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from analysis.people import with_robustness
from analysis.people.robust import without
from analysis.prepared import Prepared
from schemas import checked, empty
from schemas.between import MissedSteps
from schemas.outputs import Credibility
from synthetic import family, made
from tests.worlds import prepared_of


@pytest.fixture(scope="module")
def shop() -> Prepared:
    return prepared_of(made(replace(family("base", 1500), technicians=4), 4))


def doubt(technician: str) -> pl.DataFrame:
    row = {"technician": technician, "test": "copied_entries", "n": 100, "flag": True}
    calm = {"technician": technician, "test": "impossible_durations", "n": 100, "flag": False}
    return checked(Credibility, pl.DataFrame([row, calm], schema=empty(Credibility).schema))


def busiest(shop: Prepared) -> str:
    return str(shop.bleeds.get_column("technician").mode().sort()[0])


def test_ordinary_entries_left_out_leave_the_ranking_as_it_is(shop: Prepared) -> None:
    flagged, calm = with_robustness(shop, doubt(busiest(shop))).select("ranking_tau", "ranking_holds").rows()
    assert flagged[1] is True
    assert flagged[0] > 0.5
    assert calm == (None, None)


def test_entries_that_made_the_ranking_are_told(shop: Prepared) -> None:
    """One writes afterwards that reach was missed wherever a bike came back: without those entries it costs nothing."""
    who = busiest(shop)
    own = pl.Series((shop.bleeds["technician"] == who) & shop.bleeds["return_days"].is_not_null())
    invented = shop.missed.with_columns(reach=pl.when(own).then(True).otherwise(pl.col("reach")))
    told = with_robustness(replace(shop, missed=checked(MissedSteps, invented)), doubt(who))
    assert told.filter("flag")["ranking_holds"].item() is False


def test_one_technicians_bleeds_are_taken_out_of_both_tables(shop: Prepared) -> None:
    who = busiest(shop)
    rest = without(shop, who)
    assert who not in rest.bleeds["technician"]
    assert rest.bleeds["session_id"].to_list() == rest.missed["session_id"].to_list()


def test_nothing_flagged_is_nothing_reckoned(shop: Prepared) -> None:
    calm = doubt("Wren").with_columns(flag=pl.lit(False))
    assert with_robustness(shop, checked(Credibility, calm))["ranking_holds"].count() == 0
