"""Comebacks prevented in scenarios: steps never missed, or half as often; jointly, since effects of steps do not add
up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.steps.design_matrix import Design
from analysis.steps.posterior import first_draws
from analysis.steps.table import StepCosts
from analysis.steps.total_effects import draw_prevented_through_later_steps
from schemas import empty, validate_table
from schemas.outputs import WhatIf

FloatArray = NDArray[np.float64]
DRAWS = 400
BAND = 0.01
"""Bleeds with the same misses whose log hazards differ by less are summed as one: sums change by less than 1 in
100,000, and the scenarios of 200,000 bleeds take 1 s instead of 6."""

COSTLIEST = ("the costliest step", "the two costliest steps", "the three costliest steps")


@dataclass(frozen=True)
class Scenario:
    """Steps of which a share of the misses is met instead (1: never missed; 0.5: missed half as often)."""

    steps: tuple[str, ...]
    share: float = 1.0
    subject: str = "no step"
    change: str = "never missed"

    @property
    def name(self) -> str:
        return f"{self.subject[:1].upper()}{self.subject[1:]} {self.change}"

    @property
    def condition(self) -> str:
        return f"{self.subject} were {self.change}"


@dataclass(frozen=True)
class YearlyCost:
    """Bleeds per year, and bench minutes and parts (currency) per comeback."""

    bleeds: float
    minutes: float
    parts: float


def what_if(costs: StepCosts, yearly_cost: YearlyCost, rng: np.random.Generator) -> DataFrame[WhatIf]:
    """Comebacks prevented in each scenario: each step alone, the costliest two and three, half as often, and all steps.

    Only steps that clearly lead to comebacks count among the costliest. `rng` chooses which half of the misses is met.
    """
    if costs.estimate is None or costs.design is None:
        return empty(WhatIf)
    ranked = costs.table.filter(pl.col("rank").is_not_null()).sort("rank")
    scenarios = _list_scenarios(
        dict(ranked.select("step", "title").iter_rows()),
        ranked.filter(pl.col("verdict") == "costs_comebacks").get_column("step").to_list(),
    )
    rows = [_scenario_row(scenario, costs, costs.design, yearly_cost, rng) for scenario in scenarios]
    return validate_table(WhatIf, pl.DataFrame(rows, schema=empty(WhatIf).schema))


@dataclass(frozen=True)
class PreventedComebacks:
    """Comebacks prevented: per 100 bleeds with 95% limits, and per year."""

    per_100: float
    lo: float
    hi: float
    per_year: float


def prevented_if_never_missed(
    costs: StepCosts, steps: tuple[str, ...], bleeds_a_year: float, rng: np.random.Generator
) -> PreventedComebacks | None:
    """Comebacks prevented if these steps were never missed, all else as it was; None with too few comebacks.

    `steps` are ids of the design, at least one.
    """
    if costs.estimate is None or costs.design is None:
        return None
    row = _scenario_row(Scenario(steps), costs, costs.design, YearlyCost(bleeds_a_year, 0.0, 0.0), rng)
    return PreventedComebacks(
        *(float(str(row[name])) for name in ("preventable_per_100", "lo", "hi", "comebacks_per_year"))
    )


def _list_scenarios(titles: Mapping[str, str], costly: list[str]) -> list[Scenario]:
    """`titles` of the ranked steps by id, and the ids of those that clearly lead to comebacks, costliest first."""
    single = [Scenario((step,), subject=f"“{title}”") for step, title in titles.items()]
    most = min(len(costly), len(COSTLIEST))
    joint = [Scenario(tuple(costly[:n]), subject=COSTLIEST[n - 1]) for n in range(2, most + 1)]
    half = [Scenario(tuple(costly[:most]), 0.5, COSTLIEST[most - 1], "missed half as often")] if most else []
    return [*single, *joint, *half, Scenario(tuple(titles), change="ever missed")]


def _scenario_row(
    scenario: Scenario, costs: StepCosts, design: Design, yearly_cost: YearlyCost, rng: np.random.Generator
) -> dict[str, object]:
    assert costs.estimate is not None
    places = [design.steps.index(step) for step in scenario.steps]
    prevented = (
        _draw_prevented(scenario, places, design, costs, rng)
        if len(places) > 1 or scenario.share < 1
        else costs.estimate.prevented[:, places[0]]
    )
    lo, value, hi = (float(level) for level in np.quantile(prevented, [0.025, 0.5, 0.975]))
    yearly = value / 100 * yearly_cost.bleeds
    return {
        "scenario": scenario.name,
        "condition": scenario.condition,
        "steps": " ".join(scenario.steps),
        "preventable_per_100": value,
        "lo": lo,
        "hi": hi,
        "comebacks_per_year": yearly,
        "minutes_per_year": yearly * yearly_cost.minutes,
        "parts_per_year": yearly * yearly_cost.parts,
    }


def _draw_prevented(
    scenario: Scenario, indices: list[int], design: Design, costs: StepCosts, rng: np.random.Generator
) -> FloatArray:
    """Draws of comebacks prevented per 100 when all the scenario's steps are met, later steps responding.

    The log hazard of a bleed that missed several steps, had it met them, has the mean of those steps' errors.
    """
    assert costs.estimate is not None
    estimate = first_draws(costs.estimate, DRAWS)
    missed = design.missed[:, indices]
    if scenario.share < 1:
        missed = missed * (rng.random(missed.shape) < scenario.share)
    all_missed = np.zeros(design.missed.shape)
    all_missed[:, indices] = missed
    changed = missed.sum(axis=1) > 0
    misses, hazard = missed[changed].astype(float), estimate.cumulative_hazard[changed]
    patterns = _group_miss_patterns(misses, hazard * np.exp(-misses @ estimate.reference_effects[indices]))
    errors, effects = estimate.log_hazard_errors[:, indices], estimate.effects[:, indices]
    direct = 100 / len(estimate.cumulative_hazard) * _prevented(patterns, errors, effects)
    return direct + draw_prevented_through_later_steps(design, costs.later, estimate, all_missed, rng)


def _prevented(patterns: _MissPatterns, errors: FloatArray, effects: FloatArray) -> FloatArray:
    """Comebacks prevented in each draw of the log hazard errors and effects (draws × steps)."""
    weights = patterns.missed / patterns.missed.sum(axis=1, keepdims=True)
    prevented = np.empty(len(effects))
    for draw, (error, effect) in enumerate(zip(errors, effects, strict=True)):
        hazard_if_met = patterns.hazard_if_met * np.exp(weights @ error)
        hazard = hazard_if_met * np.exp(patterns.missed @ effect)
        prevented[draw] = patterns.bleeds @ (np.exp(-hazard_if_met) - np.exp(-hazard))
    return prevented


@dataclass(frozen=True)
class _MissPatterns:
    """Groups of bleeds with the same misses and nearly the same hazard: misses, mean hazard had they been met, and
    number.
    """

    missed: FloatArray
    hazard_if_met: FloatArray
    bleeds: FloatArray


def _group_miss_patterns(missed: FloatArray, hazard_if_met: FloatArray) -> _MissPatterns:
    steps = missed.shape[1]
    band = np.floor(np.log(np.maximum(hazard_if_met, 1e-12)) / BAND)
    key = (band - band.min(initial=0.0)) * 2.0**steps + missed @ 2.0 ** np.arange(steps)
    _, first, pattern = np.unique(key, return_index=True, return_inverse=True)
    bleeds = np.bincount(pattern, minlength=len(first)).astype(float)
    return _MissPatterns(missed[first], np.bincount(pattern, hazard_if_met, len(first)) / np.maximum(bleeds, 1), bleeds)
