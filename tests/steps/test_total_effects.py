"""Total effects through steps that respond to what is seen."""

import numpy as np
import polars as pl
import pytest

from analysis.steps import step_costs
from analysis.steps.design_matrix import build_design
from analysis.steps.total_effects import later_steps
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import entries_of, prepared_of

STEPS = ("purge", "pads_out", "cycles", "clear_finish", "lever_vacuum", "settle", "end_balance", "closed_first")


@pytest.fixture(scope="module")
def steered():
    return entries_of(simulate(scenario_workshop("the last pass stops with bubbles", 6000), 3))


def response(data, step="clear_finish"):
    design = build_design(data, STEPS)
    (own,) = [r for r in later_steps(data, design).alone if design.steps[r.step] == step]
    slopes = dict(zip([design.steps[i] for i in own.causes], own.slopes, strict=True))
    return slopes, np.sqrt(np.diag(own.covariance))


def test_a_miss_that_leaves_air_makes_stopping_with_bubbles_likelier(steered):
    slopes, sd = response(steered)
    assert set(slopes) == {"purge", "pads_out"}
    assert slopes["purge"] > 4 * sd.max()  # 12% more air multiplies the odds
    assert abs(slopes["pads_out"]) < 4 * sd.max()  # leaves no air


def test_hurry_alone_gives_no_response():
    slopes, sd = response(entries_of(simulate(scenario_workshop("skipped together", 6000), 4)))
    assert max(abs(slope) for slope in slopes.values()) < 4 * sd.max()


def test_without_later_steps_nothing_is_estimated(steered):
    assert later_steps(steered, build_design(steered, ("purge", "cycles", "clear_finish"))).joint == ()


def test_the_total_effect_is_above_the_direct_one():
    log = simulate(scenario_workshop("the last pass stops with bubbles", 3000), 5)
    table = step_costs(prepared_of(log), np.random.default_rng(1)).table.filter(pl.col("step") == "purge")
    truth = log.truth_steps.filter(pl.col("step") == "purge")
    through = table["preventable_per_100"][0] - table["direct_per_100"][0]
    expected = truth["preventable_per_100"][0] - truth["direct_per_100"][0]
    assert expected > 0.05
    assert through == pytest.approx(expected, abs=0.15)
