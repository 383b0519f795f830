"""What would be prevented if some steps were never missed, or half as often: jointly, since causes do not add up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.steps.costs import StepCosts
from analysis.steps.design import Design
from analysis.steps.layers import Layer
from schemas import checked, empty
from schemas.outputs import WhatIf

Numbers = NDArray[np.float64]
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


def what_if(costs: StepCosts, a_year: YearlyCost, rng: np.random.Generator) -> DataFrame[WhatIf]:
    """Scenarios from the ranking: each step alone, the costliest two and three, all, and half as often.

    Parameters
    ----------
    costs
        The ranked steps with their draws.
    a_year
        What a year holds and one comeback costs.
    rng
        For which half of the misses is met.
    """
    if costs.layer is None or costs.design is None:
        return empty(WhatIf)
    ranked = costs.table.filter(pl.col("rank").is_not_null()).sort("rank").select("step", "title")
    scenarios = _scenarios(ranked.get_column("step").to_list(), ranked.get_column("title").to_list())
    rows = [_row(one, costs.design, costs.layer, a_year, rng) for one in scenarios]
    return checked(WhatIf, pl.DataFrame(rows, schema=empty(WhatIf).schema))


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
    scenario: Scenario, design: Design, layer: Layer, a_year: YearlyCost, rng: np.random.Generator
) -> dict[str, object]:
    places = [design.steps.index(step) for step in scenario.steps]
    spared = (
        _joint(scenario, places, design, layer, rng)
        if len(places) > 1 or scenario.share < 1
        else layer.spared[:, places[0]]
    )
    lo, value, hi = (float(level) for level in np.quantile(spared, [0.025, 0.5, 0.975]))
    yearly = value / 100 * a_year.bleeds
    return {
        "scenario": scenario.name,
        "steps": " ".join(scenario.steps),
        "preventable_per_100": value,
        "lo": lo,
        "hi": hi,
        "comebacks_per_year": yearly,
        "minutes_per_year": yearly * a_year.minutes,
        "parts_per_year": yearly * a_year.parts,
    }


def _joint(scenario: Scenario, places: list[int], design: Design, layer: Layer, rng: np.random.Generator) -> Numbers:
    """Draws of what is prevented when all the scenario's steps are met together.

    The risk of a bleed that missed several, had it met them, errs by the mean of those steps' own errors.
    """
    missed = design.missed[:, places]
    if scenario.share < 1:
        missed = missed * (rng.random(missed.shape) < scenario.share)
    touched = missed.sum(axis=1) > 0
    missed, mass, n = missed[touched].astype(float), layer.mass[touched], len(layer.mass)
    alike = _alike(missed, mass * np.exp(-missed @ layer.held[places]))
    return 100 / n * _spared(alike, layer.drift[:DRAWS, places].T, layer.effects[:DRAWS, places].T)


def _spared(alike: _Alike, drift: Numbers, effects: Numbers) -> Numbers:
    """Comebacks prevented, a draw a column of `drift` and `effects`."""
    spared = np.zeros(drift.shape[1])
    each = alike.missed / alike.missed.sum(axis=1, keepdims=True)
    for start in range(0, len(each), ROWS_AT_ONCE):
        some = slice(start, start + ROWS_AT_ONCE)
        met = alike.best[some, None] * np.exp(each[some] @ drift)
        now = met * np.exp(alike.missed[some] @ effects)
        spared += alike.bleeds[some] @ (np.exp(-met) - np.exp(-now))
    return spared


@dataclass(frozen=True)
class _Alike:
    """Bleeds that missed the same steps and whose masses, had these been met, differ by less than one in a hundred:
    what they missed, their mean mass and their number."""

    missed: Numbers
    best: Numbers
    bleeds: Numbers


def _alike(missed: Numbers, best: Numbers) -> _Alike:
    steps = missed.shape[1]
    band = np.floor(np.log(np.maximum(best, 1e-12)) / BAND)
    key = (band - band.min(initial=0.0)) * 2.0**steps + missed @ 2.0 ** np.arange(steps)
    _, first, place = np.unique(key, return_index=True, return_inverse=True)
    bleeds = np.bincount(place, minlength=len(first)).astype(float)
    return _Alike(missed[first], np.bincount(place, best, len(first)) / np.maximum(bleeds, 1), bleeds)
