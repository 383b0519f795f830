"""Lots, learners and changes in a workshop on simulated workshops with known truth (slow lane).

A share is met when its exact 95% binomial interval reaches into the aim. Seeds were fixed before the first run.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from analysis.dataset import BleedData
from analysis.people import learners, measure_effects
from analysis.stats import exact_binomial_limits
from schemas import empty
from schemas.outputs import Rates
from synthetic import Habit, StepTruth, Workshop, simulate
from synthetic.tables import month_start
from synthetic.workshop import Change, Newcomer
from tests.build import table
from tests.simulated_logs import entries_of, log_of_made
from tests.test_lots import compared

pytestmark = pytest.mark.truth
LOGS, LONG = 100, 200
LOTS = Workshop(fluid_lots=7, kits=2)
"""21 lots of about 143 bleeds and 6 kits."""
TWICE = 1.2 * math.log(2)
"""Log hazard by air that doubles the risk, since the share of leaks is not raised by it."""


def share(true: list[bool]) -> tuple[float, float]:
    limits = exact_binomial_limits(sum(true), len(true))
    print(f"{sum(true)} of {len(true)} ({float(limits.lo):.1%} to {float(limits.hi):.1%})")
    return float(limits.lo), float(limits.hi)


def test_a_lot_at_twice_the_risk_that_shows_at_the_bench_is_named() -> None:
    workshop = replace(LOTS, bad_lot=TWICE, lot_air=True)
    logs = [compared(log_of_made(simulate(workshop, 2000 + seed))).lots.filter(signal="high") for seed in range(LOGS)]
    assert share(["L004" in one.get_column("group") for one in logs])[1] >= 0.8


def test_where_nothing_is_planted_no_lot_or_kit_is_named() -> None:
    logs = [compared(log_of_made(simulate(LOTS, 3000 + seed))).lots.filter(signal="high") for seed in range(LOGS)]
    assert share([not one.is_empty() for one in logs])[0] <= 0.05


def learner(shift: float, seed: int) -> dict:
    newcomer = Newcomer("Wren", 13, shift)
    simulated = simulate(Workshop(newcomers=(newcomer,), habits=(Habit("Wren", plain=True, skill=0.0),)), seed)
    result = learners(entries_of(simulated), simulated.technicians, empty(Rates), np.random.default_rng(seed))  # type: ignore[arg-type]
    return result.learners.row(0, named=True)


def test_learners_as_good_as_peers_are_cleared_and_poor_ones_hardly_ever() -> None:
    """A shift of 0.66 on the log odds of every step makes half as many misses again."""
    good, poor = ([learner(shift, 100_000 + seed) for seed in range(LONG)] for shift in (0.0, 0.66))
    assert share([row["cleared_after"] is not None for row in good])[1] >= 0.8
    assert share([row["cleared_after"] is not None for row in poor])[0] <= 0.05
    assert share([row["verdict"] == "needs_help" for row in good])[0] <= 0.05


MONTH, STEP, MISSED = 16, "settle", 0.6


def effect(seed: int, wander: float, change: Callable[[str], tuple[Change, ...]]) -> dict:
    """The worst of the last quarter is changed; 100 bleeds before and after in each of three workshops."""
    workshop = Workshop(sessions=1500, technicians=6, wander_sd=wander, wander_memory=0.75)
    workshop = workshop.with_steps(settle=StepTruth(STEP, MISSED, 0.35))
    day = month_start(workshop, MONTH)
    worst = worst_shop(entries_of(simulate(workshop, seed)), day)
    data = entries_of(simulate(replace(workshop, changes=change(worst)), seed))
    measures = table("measures", [{"shop": worst, "began_on": day, "what": "new timer", "step": STEP}])
    return measure_effects(data, measures).filter(outcome="missed").row(0, named=True)  # type: ignore[arg-type]


def worst_shop(data: BleedData, day: dt.date) -> str:
    bleeds = data.bleeds.select("shop", "started_at").with_columns(missed=data.missed.get_column(STEP))
    quarter = pl.col("started_at").dt.date().is_between(day - dt.timedelta(days=91), day - dt.timedelta(days=1))
    shares = bleeds.filter(quarter).group_by("shop").agg(pl.col("missed").mean())
    return str(shares.sort("missed", descending=True).get_column("shop")[0])


def test_a_change_without_effect_for_the_worst_is_no_improvement() -> None:
    rows = [effect(1000 + seed, 0.5, lambda _: ()) for seed in range(LONG)]
    assert share([bool(row["clear"]) and row["change"] < 0 for row in rows])[0] <= 0.05


def test_a_change_that_halves_the_misses_is_found() -> None:
    odds = math.log((MISSED / (1 - MISSED)) / (MISSED / 2 / (1 - MISSED / 2)))
    rows = [effect(seed, 0.2, lambda worst: (Change(MONTH, -1.15 * odds, worst, STEP),)) for seed in range(LOGS)]
    assert share([bool(row["clear"]) and row["change"] < 0 for row in rows])[1] >= 0.8
