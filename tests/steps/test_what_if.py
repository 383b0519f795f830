"""What-if scenarios; joint, since effects of steps do not add up."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from analysis.steps import YearlyCost, what_if
from analysis.steps.what_if import _group_miss_patterns, _prevented

A_YEAR = YearlyCost(bleeds=1200, minutes=40.0, parts=5.0)


def with_clear_steps(costs, clear):
    """The first steps of the ranking called clear, the others not."""
    verdict = pl.when(pl.col("rank") <= clear).then(pl.lit("costs_comebacks")).otherwise(pl.lit("no_sign"))
    return replace(costs, table=costs.table.with_columns(verdict=verdict))


@pytest.fixture(scope="module")
def scenarios(costs):
    return what_if(with_clear_steps(costs, 3), A_YEAR, np.random.default_rng(3))


@pytest.mark.parametrize(("clear", "joint"), [(0, 0), (1, 1), (2, 2), (3, 3), (5, 3)])
def test_only_clear_steps_count_among_the_costliest(costs, clear, joint):
    names = what_if(with_clear_steps(costs, clear), A_YEAR, np.random.default_rng(3))["scenario"].to_list()
    assert len([name for name in names if "costliest" in name]) == joint


def one(table, name):
    return table.row(by_predicate=pl.col("scenario") == name, named=True)


def test_a_single_step_prevents_what_the_ranking_says(costs, scenarios):
    for title, prevented, lo in (
        costs.table.filter(pl.col("rank") <= 3).select("title", "preventable_per_100", "lo").rows()
    ):
        alone = one(scenarios, f"“{title}” never missed")
        assert (alone["preventable_per_100"], alone["lo"]) == pytest.approx((prevented, lo))


def test_all_steps_together_prevent_no_more_than_the_comebacks(costs, workshop, scenarios):
    rate = 100 * workshop.bleeds.filter("mature")["came_back"].mean()
    assert 0 < one(scenarios, "No step ever missed")["preventable_per_100"] < rate


def test_half_the_misses_prevent_about_half(scenarios):
    whole = one(scenarios, "The three costliest steps never missed")["preventable_per_100"]
    half = one(scenarios, "The three costliest steps missed half as often")["preventable_per_100"]
    assert half == pytest.approx(whole / 2, rel=0.3)  # a random half of some 300 misses


def test_a_year_is_bleeds_times_prevented_times_the_cost_of_one(scenarios):
    table = scenarios.with_columns(again=pl.col("preventable_per_100") / 100 * 1200)
    assert table["comebacks_per_year"].to_list() == pytest.approx(table["again"].to_list())
    assert table["minutes_per_year"].to_list() == pytest.approx((table["again"] * 40).to_list())
    assert table["parts_per_year"].to_list() == pytest.approx((table["again"] * 5).to_list())


def test_a_joint_interval_is_about_as_wide_as_that_of_its_costliest_step(costs, scenarios):
    two = one(scenarios, "The two costliest steps never missed")
    first = costs.table.filter(pl.col("rank") == 1).row(0, named=True)
    assert two["hi"] - two["lo"] > 0.8 * (first["hi"] - first["lo"])  # 400 draws: limits good to a tenth


def test_grouped_bleeds_prevent_what_they_prevent_one_by_one():
    rng = np.random.default_rng(4)
    missed = (rng.random((20_000, 3)) < [0.2, 0.1, 0.3]).astype(float)
    missed[missed.sum(axis=1) == 0, 0] = 1
    hazard_if_met, effects = np.exp(rng.normal(-3, 0.7, len(missed))), np.array([0.6, 0.2, -0.1])
    patterns = _group_miss_patterns(missed, hazard_if_met)
    assert patterns.bleeds.sum() == len(missed)
    total = patterns.bleeds @ (
        np.exp(-patterns.hazard_if_met) - np.exp(-patterns.hazard_if_met * np.exp(patterns.missed @ effects))
    )
    one_by_one = (np.exp(-hazard_if_met) - np.exp(-hazard_if_met * np.exp(missed @ effects))).sum()
    assert total == pytest.approx(one_by_one, rel=1e-5)
    assert len(patterns.bleeds) < len(missed) / 5


def test_each_draw_prevents_the_sum_over_bleeds():
    """The formula of g-computation, draw by draw: exp(-hazard had it been met) - exp(-hazard)."""
    rng = np.random.default_rng(6)
    missed = (rng.random((5_000, 2)) < 0.5).astype(float)
    missed[missed.sum(axis=1) == 0, 1] = 1
    patterns = _group_miss_patterns(missed, np.exp(rng.normal(-3, 0.7, len(missed))))
    errors, effects = rng.normal(0, 0.05, (5, 2)), rng.normal(0.4, 0.1, (5, 2))
    total = _prevented(patterns, errors, effects)
    each = patterns.missed / patterns.missed.sum(axis=1, keepdims=True)
    for draw in range(5):
        if_met = patterns.hazard_if_met * np.exp(each @ errors[draw])
        prevented = np.exp(-if_met) - np.exp(-if_met * np.exp(patterns.missed @ effects[draw]))
        assert total[draw] == pytest.approx(float(patterns.bleeds @ prevented), rel=1e-12)
