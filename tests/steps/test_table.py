"""The table of steps."""

from dataclasses import replace
from types import SimpleNamespace
from unittest.mock import patch

import numpy as np
import polars as pl
import pytest

from analysis.dataset import bleed_data
from analysis.standard import built_in
from analysis.steps import dose_response_curves, dose_response_inputs, step_costs, what_if
from analysis.steps.aipw import AipwEstimate
from analysis.steps.table import _Estimates
from analysis.steps.what_if import YearlyCost
from schemas import validate_table
from schemas.intermediate import MissedSteps
from tests.build import bleed, comeback, log_of

ESTIMATES = (
    "direct_per_100", "direct_lo", "direct_hi",
    "preventable_per_100", "lo", "hi", "p_value", "q_value", "rank", "rank_lo", "rank_hi", "survival_estimate", "survival_estimate_lo",
    "survival_estimate_hi", "aipw_per_100", "aipw_lo", "aipw_hi", "e_value", "aipw_disagrees",
)  # fmt: skip
SIGNS = ("lever_travel_after_mm", "bubbles_first", "bubbles_last", "pump_gain_mm", "hard_pull_firm", "leak_seen")


def few_bleeds():
    rows = [bleed(f"s{n}", f"2026-01-{n + 1:02d}", bike_id=f"b{n}", cycles=n % 3, kit_purged=True) for n in range(12)]
    log = log_of(rows, [comeback("c", "2026-02-01", bike_id="b3")], {"c": "s3"})
    return bleed_data(log, built_in(), 90)


def test_every_step_of_the_standard_has_a_row(workshop, costs):
    assert set(costs.table.get_column("step")) == {step.id for step in workshop.standard.steps}
    assert costs.table.get_column("step").is_sorted()


@pytest.mark.parametrize(
    ("value", "low", "high"),
    [("preventable_per_100", "lo", "hi"), ("direct_per_100", "direct_lo", "direct_hi"), ("survival_estimate", "survival_estimate_lo", "survival_estimate_hi"),
     ("aipw_per_100", "aipw_lo", "aipw_hi"), ("rank", "rank_lo", "rank_hi")],
)  # fmt: skip
def test_every_estimate_is_within_its_interval(costs, value, low, high):
    estimates = costs.table.filter(pl.col(value).is_not_null())
    assert len(estimates) > 10
    assert estimates.select((pl.col(low) <= pl.col(value)) & (pl.col(value) <= pl.col(high))).to_series().all()


def test_verdicts_follow_their_definition(costs):
    assert not costs.unseen.suspected
    lo, q, times = pl.col("lo"), pl.col("q_value"), pl.col("times_benchmark")
    expected = (
        pl.when(lo.is_null()).then(pl.lit("too_few"))
        .when((lo > 0) & (q <= 0.05) & (times >= 1)).then(pl.lit("costs_comebacks"))
        .when((lo > 0) & (q <= 0.05)).then(pl.lit("goes_with_comebacks"))
        .when(lo > 0).then(pl.lit("suspected"))
        .otherwise(pl.lit("no_sign"))
    )  # fmt: skip
    assert costs.table.select((expected == pl.col("verdict")).all()).item()


def test_the_same_seed_gives_the_same_table(workshop, costs):
    assert step_costs(workshop, np.random.default_rng(1)).table.equals(costs.table)


def test_the_notes_say_what_ranks_the_steps_and_whether_effects_last(costs):
    assert "ranking" in costs.notes[0]
    assert "90 days" in costs.notes[1]


def test_twelve_bleeds_of_one_technician_give_no_estimate_and_no_crash():
    few = step_costs(few_bleeds(), np.random.default_rng(1))
    assert few.table.get_column("verdict").unique().to_list() == ["too_few"]
    assert few.table.select(pl.col(ESTIMATES).is_null().all()).row(0) == (True,) * len(ESTIMATES)
    assert what_if(few, YearlyCost(100, 45, 6), np.random.default_rng(1)).is_empty()
    assert dose_response_curves(dose_response_inputs(few_bleeds(), few.design)).is_empty()


def test_a_step_never_recorded_always_missed_or_missed_nine_times_is_too_few_and_the_others_are_estimated(workshop):
    nine = pl.int_range(pl.len()) < 9
    missed = workshop.missed.with_columns(
        pads_out=pl.lit(None, pl.Boolean), blocks=pl.lit(True), pistons=nine, upright=pl.lit(False)
    )
    table = step_costs(replace(workshop, missed=validate_table(MissedSteps, missed)), np.random.default_rng(1)).table
    too_few = table.filter(pl.col("verdict") == "too_few")
    assert too_few.get_column("step").to_list() == ["blocks", "pads_out", "pistons", "upright"]
    assert too_few.select(pl.col(ESTIMATES).is_null().all()).row(0) == (True,) * len(ESTIMATES)
    assert table.filter(pl.col("verdict") != "too_few").get_column("lo").null_count() == 0


def test_without_stand_readings_returns_alone_rank_the_steps(workshop):
    blind = workshop.bleeds.with_columns(pl.lit(None, workshop.bleeds.schema[name]).alias(name) for name in SIGNS)
    blind_costs = step_costs(replace(workshop, bleeds=blind), np.random.default_rng(1))
    assert "no stand readings are recorded" in blind_costs.notes[0]
    estimates = blind_costs.table.filter(pl.col("rank").is_not_null())
    difference = (estimates["preventable_per_100"] - estimates["survival_estimate"]).abs() / (
        estimates["survival_estimate_hi"] - estimates["survival_estimate_lo"]
    )
    assert difference.max() < 0.05  # the mean of 4,000 draws: 0.016 of a standard error, a quarter of that of the width


def test_an_uncertain_effect_through_later_steps_hides_no_disagreement(workshop, costs):
    """It is in both estimates: the check compares the direct ones."""
    size = costs.design.step_count
    draws = np.tile(np.array([-1.0, 1.0])[:, None] * 0.1, (1, size)) + 2.0
    check = AipwEstimate(np.full(size, 1.0), np.full(size, 0.1), np.zeros(size, dtype=bool))
    wild = np.array([-1.0, 1.0])[:, None]
    estimate = replace(costs.estimate, prevented=draws)
    with patch("analysis.steps.table.add_later_step_effects", lambda *_: replace(estimate, prevented=draws + wild)):
        marginal = SimpleNamespace(prevented=np.zeros(size), sd=np.ones(size), design=costs.design)
        estimates = _Estimates(estimate, marginal, check, costs.later, np.random.default_rng(1))
    assert estimates.disagrees.all()  # 1.0 apart at standard errors of 0.1 each
    assert not (np.abs(estimates.aipw - 2) > 3 * np.hypot(1.0, estimates.aipw_sd)).any()
