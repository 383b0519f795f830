"""Step costs on simulated workshops with known truth (slow lane).

A share is met when its 95% binomial interval reaches into the aim. Step intervals of one workshop are not quite
independent, so the interval is a little too narrow: the test errs on the strict side.
"""

import numpy as np
import polars as pl
import pytest

from analysis.stats import wilson
from analysis.steps import step_costs
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import prepared_of

pytestmark = pytest.mark.truth
WORLDS, BLEEDS = 10, 1000
FAMILIES = ("base", "loglinear", "first 30 days only", "30% not recorded", "strong confounding", "no step matters")


def estimate_and_truth(name, first_seed=40_000):
    tables = []
    for seed in range(first_seed, first_seed + WORLDS):
        world = simulate(scenario_workshop(name, BLEEDS), seed)
        table = step_costs(prepared_of(world), np.random.default_rng(seed)).table
        truth = world.truth_steps.select("step", "effect", truth="preventable_per_100")
        tables.append(table.join(truth, on="step").with_columns(world=pl.lit(seed)))
    return pl.concat(tables).filter(pl.col("lo").is_not_null())


@pytest.fixture(scope="module", params=FAMILIES)
def worlds(request):
    return estimate_and_truth(request.param)


def test_intervals_include_the_truth(worlds):
    for low, high in (("lo", "hi"), ("survival_estimate_lo", "survival_estimate_hi")):
        covered = worlds.select(pl.col("truth").is_between(pl.col(low), pl.col(high))).to_series()
        assert wilson(int(covered.sum()), len(covered)).hi >= 0.93


def test_the_first_ranked_steps_interval_includes_the_truth(worlds):
    first = worlds.filter(pl.col("rank") == 1)
    covered = first.select(pl.col("truth").is_between("lo", "hi")).to_series()
    assert wilson(int(covered.sum()), len(covered)).hi >= 0.90


def test_steps_without_cost_are_rarely_called(worlds):
    false = worlds.with_columns(false=(pl.col("verdict") == "costs_comebacks") & (pl.col("effect") == 0))
    any_false = false.group_by("world").agg(pl.col("false").any()).sort("world")["false"]
    assert wilson(int(any_false.sum()), len(any_false)).lo <= 0.05
