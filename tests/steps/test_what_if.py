"""Scenarios: jointly, for causes do not add up."""

import numpy as np
import polars as pl
import pytest

from analysis.steps import YearlyCost, what_if
from analysis.steps.what_if import ROWS_AT_ONCE, _miss_pattern, _prevented

A_YEAR = YearlyCost(bleeds=1200, minutes=40.0, parts=5.0)


@pytest.fixture(scope="module")
def scenarios(costs):
    return what_if(costs, A_YEAR, np.random.default_rng(3))


def one(table, name):
    return table.row(by_predicate=pl.col("scenario") == name, named=True)


def test_a_single_step_spares_what_the_ranking_says(costs, scenarios):
    for title, spared, lo in (
        costs.table.filter(pl.col("rank") <= 3).select("title", "preventable_per_100", "lo").rows()
    ):
        alone = one(scenarios, f"“{title}” never missed")
        assert (alone["preventable_per_100"], alone["lo"]) == pytest.approx((spared, lo))


def test_all_steps_together_spare_no_more_than_comes_back(costs, workshop, scenarios):
    rate = 100 * workshop.bleeds.filter("mature")["came_back"].mean()
    assert 0 < one(scenarios, "no step ever missed")["preventable_per_100"] < rate


def test_half_the_misses_spare_about_half(scenarios):
    whole = one(scenarios, "the three costliest steps never missed")["preventable_per_100"]
    half = one(scenarios, "the three costliest steps missed half as often")["preventable_per_100"]
    assert half == pytest.approx(whole / 2, rel=0.3)  # one half of some 300 misses, drawn by lot


def test_a_year_is_bleeds_times_spared_times_the_cost_of_one(scenarios):
    table = scenarios.with_columns(again=pl.col("preventable_per_100") / 100 * 1200)
    assert table["comebacks_per_year"].to_list() == pytest.approx(table["again"].to_list())
    assert table["minutes_per_year"].to_list() == pytest.approx((table["again"] * 40).to_list())
    assert table["parts_per_year"].to_list() == pytest.approx((table["again"] * 5).to_list())


def test_a_joint_interval_is_at_least_as_wide_as_its_costliest_step_says(costs, scenarios):
    two = one(scenarios, "the two costliest steps never missed")
    first = costs.table.filter(pl.col("rank") == 1).row(0, named=True)
    assert two["hi"] - two["lo"] > 0.8 * (first["hi"] - first["lo"])  # 400 draws: limits good to a tenth


def test_bleeds_told_as_alike_spare_what_they_spare_one_by_one():
    rng = np.random.default_rng(4)
    missed = (rng.random((20_000, 3)) < [0.2, 0.1, 0.3]).astype(float)
    missed[missed.sum(axis=1) == 0, 0] = 1
    best, effects = np.exp(rng.normal(-3, 0.7, len(missed))), np.array([0.6, 0.2, -0.1])
    alike = _miss_pattern(missed, best)
    assert alike.bleeds.sum() == len(missed)
    told = alike.bleeds @ (np.exp(-alike.best) - np.exp(-alike.best * np.exp(alike.missed @ effects)))
    one_by_one = (np.exp(-best) - np.exp(-best * np.exp(missed @ effects))).sum()
    assert told == pytest.approx(one_by_one, rel=1e-5)
    assert len(alike.bleeds) < len(missed) / 5


def test_draws_prevent_what_the_whole_sum_prevents():
    """The formula of g-computation, draw by draw: exp(-mass had it been met) - exp(-mass)."""
    rng = np.random.default_rng(6)
    missed = (rng.random((3 * ROWS_AT_ONCE + 7, 2)) < 0.5).astype(float)
    missed[missed.sum(axis=1) == 0, 1] = 1
    alike = _miss_pattern(missed, np.exp(rng.normal(-3, 0.7, len(missed))))
    drift, effects = rng.normal(0, 0.05, (2, 5)), rng.normal(0.4, 0.1, (2, 5))
    told = _prevented(alike, drift, effects)
    each = alike.missed / alike.missed.sum(axis=1, keepdims=True)
    for draw in range(5):
        met = alike.best * np.exp(each @ drift[:, draw])
        spared = np.exp(-met) - np.exp(-met * np.exp(alike.missed @ effects[:, draw]))
        assert told[draw] == pytest.approx(float(alike.bleeds @ spared), rel=1e-12)
