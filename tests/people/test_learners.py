"""Learners: who is one, compared with whom, and what each verdict takes."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl

from analysis.dataset import bleed_data
from analysis.pages.trainer_learners import learner_question
from analysis.people import LearnerResults, learners
from analysis.standard import built_in
from schemas import empty
from schemas.outputs import Rates
from tests.build import bleed, log_of, table
from tests.shops import report

FIRST = dt.datetime(2025, 1, 1, 9)
STEPS = ("kit_purged", "pads_out", "pistons_seated", "syringes_upright", "caliper_closed_first", "cleaned")


def bleeds(who: str, first_day: int, count: int, share: float, seed: int) -> list[dict[str, Any]]:
    """One bleed a day, each step missed with this chance."""
    rng = np.random.default_rng(seed)
    return [
        bleed(f"{who}-{n:03}", (FIRST + dt.timedelta(days=first_day + n)).isoformat(), bike_id=f"{who}{n}")
        | {"technician": who}
        | {step: bool(rng.random() > share) for step in STEPS}
        for n in range(count)
    ]


PEERS = [*bleeds("Alder", 0, 300, 0.2, 1), *bleeds("Flint", 0, 300, 0.2, 2)]


def results(*parts: list[dict[str, Any]], started: dict[str, dt.date] | None = None) -> LearnerResults:
    log = log_of([row for part in (PEERS, *parts) for row in part], [])
    people = table("technicians", [{"technician": who, "started_on": day} for who, day in (started or {}).items()])
    return learners(bleed_data(log, built_in(), 90), people, empty(Rates), np.random.default_rng(0))


def verdict(*parts: list[dict[str, Any]]) -> dict[str, Any]:
    return results(*parts).learners.row(0, named=True)


def test_the_first_day_decides_who_learns_and_else_a_late_first_bleed() -> None:
    late, early = bleeds("Wren", 100, 20, 0.2, 3), bleeds("Dace", 30, 20, 0.2, 4)
    assert results(late, early).learners.select("technician", "first_day_known").rows() == [("Wren", False)]
    recorded = results(late, early, started={"Dace": dt.date(2025, 1, 20), "Wren": dt.date(2020, 1, 1)})
    assert recorded.learners.select("technician", "started_on", "first_day_known").rows() == [
        ("Dace", dt.date(2025, 1, 20), True)
    ]


def test_one_as_good_as_peers_is_cleared_after_the_bleed_where_the_curve_reaches_its_limit() -> None:
    result = results(bleeds("Wren", 100, 150, 0.2, 3))
    row = result.learners.row(0, named=True)
    assert row["verdict"] == "cleared"
    curve = result.learner_curves
    first = curve.filter(pl.col("cusum") >= pl.col("cusum_limit")).get_column("bleed_no").min()
    assert row["cleared_after"] == first
    assert 0.5 < row["ratio_lo"] < row["ratio"] < row["ratio_hi"] < 2


def test_two_peers_who_differ_leave_the_ratio_uncertain() -> None:
    """180 misses alone would give a factor of 1.35 between the limits; the peers' are 0.12 and 0.28."""
    peers = [*bleeds("Alder", 0, 300, 0.12, 1), *bleeds("Flint", 0, 300, 0.28, 2)]
    log = log_of([*peers, *bleeds("Wren", 100, 150, 0.2, 3)], [])
    nobody = table("technicians", [])
    [row] = learners(
        bleed_data(log, built_in(), 90), nobody, empty(Rates), np.random.default_rng(0)
    ).learners.to_dicts()
    assert row["ratio_hi"] / row["ratio_lo"] > 2


def test_one_who_misses_twice_as_often_needs_help_with_a_step_and_recent_bleeds() -> None:
    row = verdict(bleeds("Wren", 100, 150, 0.4, 3))
    assert (row["verdict"], row["cleared_after"]) == ("needs_help", None)
    assert all(name.startswith("Wren-1") for name in row["example_sessions"].split())


def test_one_who_became_good_no_longer_needs_help() -> None:
    poor, good = bleeds("Wren", 100, 60, 0.45, 3), bleeds("Wren", 160, 140, 0.18, 4)
    good = [row | {"session_id": f"Wren-2{n:03}", "bike_id": f"later{n}"} for n, row in enumerate(good)]
    row = verdict(poor, good)
    assert row["verdict"] == "cleared"
    assert row["cleared_after"] > 60


def test_one_who_became_worse_after_clearing_needs_help() -> None:
    good, poor = bleeds("Wren", 100, 140, 0.18, 4), bleeds("Wren", 240, 100, 0.5, 3)
    poor = [row | {"session_id": f"Wren-2{n:03}", "bike_id": f"later{n}"} for n, row in enumerate(poor)]
    row = verdict(good, poor)
    assert row["verdict"] == "needs_help"
    assert row["cleared_after"] is not None


def test_few_bleeds_or_no_peers_give_no_verdict() -> None:
    assert verdict(bleeds("Wren", 100, 9, 0.2, 3))["verdict"] == "too_few"
    log = log_of([*bleeds("Alder", 0, 300, 0.2, 1), *bleeds("Wren", 100, 50, 0.2, 3)], [])
    alone = learners(bleed_data(log, built_in(), 90), table("technicians", []), empty(Rates), np.random.default_rng(0))
    assert alone.learners.get_column("verdict").to_list() == ["too_few"]


def test_the_page_says_that_the_trainer_signs() -> None:
    result = results(bleeds("Wren", 100, 150, 0.4, 3))
    question = learner_question(replace(report(), learners=result.learners, learner_curves=result.learner_curves))
    assert question.answer.detail == "Needs help: Wren."
    assert "Sign-off is the trainer's decision" in question.action
    assert "Look at jobs Wren-1" in question.points[0]
