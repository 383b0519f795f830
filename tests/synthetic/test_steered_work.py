"""What is seen steers the work: first bubbles, the last pass, unseen difficulty and late entries."""

from functools import cache

import numpy as np
import polars as pl
import pytest

from synthetic import scenario_workshop, simulate


@cache
def log(name, sessions=6000, seed=11):
    return simulate(scenario_workshop(name, sessions), seed)


def share_with_one_pass(name, few):
    bleeds = log(name).sessions.drop_nulls(["bubbles_first", "cycles"])
    chosen = bleeds.filter((pl.col("bubbles_first") <= 4) if few else (pl.col("bubbles_first") >= 10))
    return (chosen["cycles"] < 2).mean()


def test_few_first_bubbles_let_the_mechanic_skip_a_pass():
    assert share_with_one_pass("few first bubbles skip a pass", few=True) > 0.2
    assert share_with_one_pass("few first bubbles skip a pass", few=False) < 0.15
    assert share_with_one_pass("base", few=True) < share_with_one_pass("base", few=False)  # hurry misses both kinds


def test_first_bubbles_show_early_misses_and_not_later_ones():
    bleeds = log("base").sessions.drop_nulls(["bubbles_first", "kit_purged", "caliper_closed_first"])
    mean = {
        name: [bleeds.filter(pl.col(name) == done)["bubbles_first"].mean() for done in (False, True)]
        for name in ("kit_purged", "caliper_closed_first")
    }
    assert mean["kit_purged"][0] > 1.3 * mean["kit_purged"][1]
    assert mean["caliper_closed_first"][0] == pytest.approx(mean["caliper_closed_first"][1], rel=0.1)


def test_the_total_effect_counts_the_last_passes_that_would_not_have_been_stopped():
    truth = {row["step"]: row for row in log("the last pass stops with bubbles").truth_steps.iter_rows(named=True)}
    assert truth["purge"]["preventable_per_100"] > 1.1 * truth["purge"]["direct_per_100"]
    assert truth["settle"]["preventable_per_100"] == truth["settle"]["direct_per_100"]  # done after the passes
    base = log("base").truth_steps
    assert base["preventable_per_100"].to_list() == base["direct_per_100"].to_list()


YES_NO = (
    "pads_out",
    "pistons_seated",
    "kit_purged",
    "syringes_upright",
    "caliper_closed_first",
    "port_seals_checked",
    "cleaned",
)


def risk_of_many_misses(name):
    """Mean true risk of bleeds with two misses or more, over that of the others."""
    misses = pl.sum_horizontal((~pl.col(field)).fill_null(False).cast(int) for field in YES_NO)
    rows = (
        log(name, 20_000)
        .sessions.select("session_id", misses=misses)
        .join(log(name, 20_000).truth_bleeds, on="session_id")
    )
    return rows.filter(pl.col("misses") >= 2)["risk"].mean() / rows.filter(pl.col("misses") < 2)["risk"].mean()


def test_an_unseen_difficulty_goes_with_misses_and_risk_though_no_step_matters():
    assert log("unseen difficulty", 20_000).truth_steps["preventable_per_100"].to_list() == [0.0] * 19
    assert risk_of_many_misses("unseen difficulty") > risk_of_many_misses("no step matters") + 0.05


def test_misses_of_bleeds_that_did_not_come_back_are_left_out():
    late = log("misses recorded once the bike is back")
    back = late.sessions["session_id"].is_in(
        late.truth_bleeds.filter(pl.col("return_days").is_not_null())["session_id"].implode()
    )
    empty = late.sessions["kit_purged"].is_null().cast(float).to_numpy()
    assert np.mean(empty[back.to_numpy()]) < np.mean(empty[~back.to_numpy()]) - 0.03
