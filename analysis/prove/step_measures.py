"""Outcomes of workshops where what is seen steers the work, or where something unseen causes both misses and comebacks."""

from __future__ import annotations

import numpy as np
import polars as pl

from analysis.dataset import BleedData
from analysis.prove.group_measures import Fact
from analysis.prove.scenarios import RECORDED_LATE, SKIPS, SKIPS_HARMLESS, STOPS, UNSEEN
from analysis.steps import StepCosts, dose_response_base, dose_response_curves, step_costs

PASSES_COVERED = "few first bubbles skip a pass: the interval of the passes includes the truth"
PASSES_PRAISED = "few first bubbles skip a pass: skipping is said to prevent comebacks"
TOTAL_COVERED = "the last pass stops with bubbles: intervals include the total effect"
UNSEEN_COSTS = "an unseen difficulty, no step matters: any step is said to cost comebacks"
UNSEEN_FOUND = "an unseen difficulty, no step matters: an unseen cause is suspected"
LATE_FOUND = "misses recorded once the bike is back: the entries are questioned"
LATE_COSTS = "misses recorded once the bike is back: any step is said to cost comebacks"
UNSEEN_INVENTED = "nothing unseen: an unseen cause is suspected"
CURVE_INVENTED = "no step matters: any tolerance curve is called clear"
PASSES = "cycles"
CLEAR_Q = 0.05


def step_facts(name: str, data: BleedData, truth: pl.DataFrame, rng: np.random.Generator) -> list[Fact]:
    """Outcomes of one workshop of `STEP_FAMILIES`.

    Parameters
    ----------
    name
        The family.
    data
        Its bleeds.
    truth
        step and preventable_per_100.
    rng
        Random generator.
    """
    costs = step_costs(data, rng)
    if costs.unseen is None:
        return []
    table = costs.table.drop_nulls("lo").join(truth.select("step", truth="preventable_per_100"), on="step")
    covered = table.select("step", inside=pl.col("truth").is_between("lo", "hi"), negative=pl.col("hi") < 0)
    called = bool((costs.table.get_column("verdict") == "costs_comebacks").any())
    if name == STOPS:
        return [Fact(TOTAL_COVERED, inside) for inside in covered.get_column("inside")]
    if name in (SKIPS, SKIPS_HARMLESS):
        passes = covered.filter(pl.col("step") == PASSES).iter_rows(named=True)
        return [
            fact
            for row in passes
            for fact in (Fact(PASSES_COVERED, row["inside"]), Fact(PASSES_PRAISED, row["negative"]))
        ]
    if name == UNSEEN:
        return [Fact(UNSEEN_COSTS, called), Fact(UNSEEN_FOUND, costs.unseen.suspected)]
    assert name == RECORDED_LATE
    return [Fact(LATE_COSTS, called), Fact(LATE_FOUND, costs.unseen.retro.clear)]


def unseen_fact(costs: StepCosts) -> list[Fact]:
    """Whether an unmeasured confounder is suspected where there is none."""
    return [] if costs.unseen is None else [Fact(UNSEEN_INVENTED, costs.unseen.suspected)]


def curve_fact(data: BleedData, costs: StepCosts) -> list[Fact]:
    """Whether any tolerance curve is called clear."""
    curves = dose_response_curves(dose_response_base(data, costs.design, costs.return_model))
    return [Fact(CURVE_INVENTED, bool((curves.get_column("q_value") <= CLEAR_Q).any()))] if curves.height else []
