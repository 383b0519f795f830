"""What would be prevented if some steps were never missed, or half as often: jointly, since causes do not add up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.steps.combined_estimate import CombinedEstimate
from analysis.steps.design_matrix import Design
from analysis.steps.table import StepCosts
from schemas import empty, validate_table
from schemas.outputs import WhatIf

FloatArray = NDArray[np.float64]
DRAWS = 400
ROWS_AT_ONCE = 4_096
BAND = 0.01
"""Masses that differ by less than this on the log scale are replaced by their mean: sums change by under one in 100,000."""


@dataclass(frozen=True)
class Scenario:
    """Some steps met always (`share` 1), or of their misses one in two met (`share` 0.5)."""

    name: str
    steps: tuple[str, ...]
    share: float = 1.0


@dataclass(frozen=True)
class YearlyCost:
    """Bleeds a year, and bench minutes and parts of one comeback."""

    bleeds: float
    minutes: float
    parts: float


def what_if(costs: StepCosts, yearly_cost: YearlyCost, rng: np.random.Generator) -> DataFrame[WhatIf]:
    """Scenarios from the ranking: each step alone, the costliest two and three, all, and half as often.

    Parameters
    ----------
    costs
        The ranked steps with their draws.
    yearly_cost
        What a year holds and one comeback costs.
    rng
        For which half of the misses is met.
    """
    if costs.estimate is None or costs.design is None:
        return empty(WhatIf)
    ranked = costs.table.filter(pl.col("rank").is_not_null()).sort("rank").select("step", "title")
    scenarios = _scenarios(ranked.get_column("step").to_list(), ranked.get_column("title").to_list())
    rows = [_row(one, costs.design, costs.estimate, yearly_cost, rng) for one in scenarios]
    return validate_table(WhatIf, pl.DataFrame(rows, schema=empty(WhatIf).schema))


def _scenarios(ranked: list[str], titles: list[str]) -> list[Scenario]:
    single = [Scenario(f"“{title}” never missed", (step,)) for step, title in zip(ranked, titles, strict=True)]
    joint = [
        Scenario(f"the {word} costliest steps never missed", tuple(ranked[:n]))
        for n, word in ((2, "two"), (3, "three"))
        if len(ranked) >= n
    ]
    half = Scenario("the three costliest steps missed half as often", tuple(ranked[:3]), 0.5)
    return [*single, *joint, half, Scenario("no step ever missed", tuple(ranked))]


def _row(
    scenario: Scenario, design: Design, estimate: CombinedEstimate, yearly_cost: YearlyCost, rng: np.random.Generator
) -> dict[str, object]:
    places = [design.steps.index(step) for step in scenario.steps]
    prevented = (
        _joint(scenario, places, design, estimate, rng)
        if len(places) > 1 or scenario.share < 1
        else estimate.prevented[:, places[0]]
    )
    lo, value, hi = (float(level) for level in np.quantile(prevented, [0.025, 0.5, 0.975]))
    yearly = value / 100 * yearly_cost.bleeds
    return {
        "scenario": scenario.name,
        "steps": " ".join(scenario.steps),
        "preventable_per_100": value,
        "lo": lo,
        "hi": hi,
        "comebacks_per_year": yearly,
        "minutes_per_year": yearly * yearly_cost.minutes,
        "parts_per_year": yearly * yearly_cost.parts,
    }


def _joint(
    scenario: Scenario, indices: list[int], design: Design, estimate: CombinedEstimate, rng: np.random.Generator
) -> FloatArray:
    """Draws of what is prevented when all the scenario's steps are met together.

    The risk of a bleed that missed several, had it met them, errs by the mean of those steps' own errors.
    """
    missed = design.missed[:, indices]
    if scenario.share < 1:
        missed = missed * (rng.random(missed.shape) < scenario.share)
    touched = missed.sum(axis=1) > 0
    missed, mass, n = missed[touched].astype(float), estimate.mass[touched], len(estimate.mass)
    alike = _miss_pattern(missed, mass * np.exp(-missed @ estimate.fixed_effects[indices]))
    return 100 / n * _prevented(alike, estimate.drift[:DRAWS, indices].T, estimate.effects[:DRAWS, indices].T)


def _prevented(pattern: _MissPattern, drift: FloatArray, effects: FloatArray) -> FloatArray:
    """Comebacks prevented, a draw a column of `drift` and `effects`."""
    prevented = np.zeros(drift.shape[1])
    each = pattern.missed / pattern.missed.sum(axis=1, keepdims=True)
    for start in range(0, len(each), ROWS_AT_ONCE):
        some = slice(start, start + ROWS_AT_ONCE)
        met = pattern.best[some, None] * np.exp(each[some] @ drift)
        now = met * np.exp(pattern.missed[some] @ effects)
        prevented += pattern.bleeds[some] @ (np.exp(-met) - np.exp(-now))
    return prevented


@dataclass(frozen=True)
class _MissPattern:
    """Bleeds that missed the same steps and whose masses, had these been met, differ by less than one in a hundred:
    what they missed, their mean mass and their number."""

    missed: FloatArray
    best: FloatArray
    bleeds: FloatArray


def _miss_pattern(missed: FloatArray, best: FloatArray) -> _MissPattern:
    steps = missed.shape[1]
    band = np.floor(np.log(np.maximum(best, 1e-12)) / BAND)
    key = (band - band.min(initial=0.0)) * 2.0**steps + missed @ 2.0 ** np.arange(steps)
    _, first, place = np.unique(key, return_index=True, return_inverse=True)
    bleeds = np.bincount(place, minlength=len(first)).astype(float)
    return _MissPattern(missed[first], np.bincount(place, best, len(first)) / np.maximum(bleeds, 1), bleeds)
