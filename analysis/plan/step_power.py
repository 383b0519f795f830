"""How many bleeds it takes to see what a step costs: the shop's own log drawn again, with the step's effect planted."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.stats import Z95, wilson
from analysis.steps import Design, MarginalEffects, crude_steps, design_of, estimate_marginal_effects
from analysis.survival import CoxModel

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int64]
MIN_BLEEDS = 10
LIMIT = NormalDist().inv_cdf(0.975)


@dataclass(frozen=True)
class PowerAtSize:
    """What came of the runs of one size: in what share the step was found, and how many came back on average."""

    bleeds: int
    comebacks: float
    detected: float
    lo: float
    hi: float


@dataclass(frozen=True)
class StepPower:
    """Power by size, and the size that finds the step with the chance asked for, with 95% limits (None: past reach).

    `per_100` is what the planted effect would spare per 100 bleeds at the shop's own share of misses.
    """

    step: str
    hazard_ratio: float
    per_100: float
    power: float
    sizes: tuple[PowerAtSize, ...]
    needed: float | None
    needed_lo: float | None
    needed_hi: float | None


@dataclass(frozen=True)
class _SampledLog:
    """What is sampled from: the design, its bikes' rows, each bleed's log hazard and days watched, and the baseline by day."""

    design: Design
    column: int
    effect: float
    rows_of_bike: list[IndexArray]
    linear_predictor: FloatArray
    observed_days: IndexArray
    cumulative: FloatArray


def estimable_steps(data: BleedData) -> tuple[str, ...]:
    """Steps with enough missed and enough met bleeds to draw from."""
    raw = crude_steps(data)
    met = raw.get_column("recorded") - raw.get_column("missed")
    enough = (raw.get_column("missed") >= MIN_BLEEDS) & (met >= MIN_BLEEDS)
    return tuple(raw.filter(enough).get_column("step"))


def step_power(
    data: BleedData,
    step: str,
    hazard_ratio: float,
    sizes: Sequence[int],
    rng: np.random.Generator,
    *,
    power: float = 0.8,
    runs: int = 40,
    progress: Callable[[str], None] = lambda _: None,
) -> StepPower:
    """The chance to find a step's effect from returns alone, by simulation from the shop's own log.

    The time-to-return model is fitted to the log; the step's coefficient is replaced by the logarithm of `hazard_ratio`; bikes
    are drawn with replacement, their bleeds come back by the model within the days each was watched, and the same model
    is fitted to what was drawn. A step is found when its two-sided p-value is at most 0.05. What the stand's signs add
    is left out: the audit's headline needs fewer bleeds where signs foretell returns.

    Parameters
    ----------
    prepared
        A log with at least 40 comebacks.
    step
        One of `estimable_steps(prepared)`.
    hazard_ratio
        How many times as likely a miss makes a return (a hazard ratio), above 0 and not 1.
    sizes
        Bleeds to draw, each at least 50.
    rng
        For the draws.
    power
        The chance asked for, in (0, 1).
    runs
        Draws of each size.
    progress
        Is told each size as it begins.

    Raises
    ------
    ValueError
        The step cannot be told, or a number is out of its range.
    """
    steps = estimable_steps(data)
    if step not in steps or not 0 < hazard_ratio < math.inf or hazard_ratio == 1 or not 0 < power < 1:
        raise ValueError(
            f"step_power: a step of {steps}, times above 0 and not 1, power in (0, 1); got {step}, {hazard_ratio}"
        )
    design = design_of(data, steps)
    fitted = estimate_marginal_effects(data, design)
    place = steps.index(step)
    shop = _sampled_log(data, design, fitted, place, math.log(hazard_ratio))
    z, at = [], []
    for size in sizes:
        progress(f"{size:,} bleeds, drawn {runs} times")
        draws = [_draw(shop, size, rng) for _ in range(runs)]
        z.append(np.array([one.z for one in draws]))
        at.append(_power_at_size(size, draws))
    needed, lo, hi = _needed(sizes, z, shop.effect, power)
    return StepPower(step, hazard_ratio, _per_100(shop, fitted.exposure), power, tuple(at), needed, lo, hi)


@dataclass(frozen=True)
class _Draw:
    z: float
    comebacks: int


def _sampled_log(data: BleedData, design: Design, fitted: MarginalEffects, column: int, effect: float) -> _SampledLog:
    bleeds, model = data.bleeds, fitted.model
    gap = bleeds.get_column("next_bleed_days").cast(pl.Float64).fill_null(np.inf).to_numpy()
    order = np.argsort(design.bike, kind="stable")
    return _SampledLog(
        design=design,
        column=column,
        effect=effect,
        rows_of_bike=np.split(order, np.flatnonzero(np.diff(design.bike[order])) + 1),
        linear_predictor=model.linear_predictor(design.x) + (effect - model.coefficients[column]) * design.x[:, column],
        observed_days=np.minimum(gap, bleeds.get_column("age_days").to_numpy()).astype(np.int64),
        cumulative=model.cumulative_hazard(np.arange(int(bleeds.get_column("days_at_risk").to_numpy().max()) + 1)),
    )


def _draw(log: _SampledLog, size: int, rng: np.random.Generator) -> _Draw:
    """One log of about this size with returns by the model, and how many standard errors the step stands from 0."""
    bikes: list[IndexArray] = []
    total = 0
    while total < size:
        bikes.append(log.rows_of_bike[rng.integers(len(log.rows_of_bike))])
        total += len(bikes[-1])
    rows = np.concatenate(bikes)
    bike = np.repeat(np.arange(len(bikes)), [len(one) for one in bikes])
    threshold = rng.exponential(size=len(rows)) / np.exp(log.linear_predictor[rows])
    day = np.searchsorted(log.cumulative, threshold)
    returned = (day < len(log.cumulative)) & (day <= log.observed_days[rows])
    if not returned.any():
        return _Draw(0.0, 0)
    x, time = log.design.x[rows], np.where(returned, day, log.observed_days[rows])
    model = CoxModel.fit(x, time, returned, blocks=log.design.blocks, clusters=bike)
    bike_influence = model.influence(np.eye(x.shape[1])[:, [log.column]]) * model.df_correction
    sd = float(np.sqrt((bike_influence**2).sum()))
    return _Draw(float(model.coefficients[log.column]) / max(sd, 1e-12), int(returned.sum()))


def _power_at_size(size: int, draws: list[_Draw]) -> PowerAtSize:
    detected = sum(abs(one.z) >= LIMIT for one in draws)
    limits = wilson(detected, len(draws))
    comebacks = float(np.mean([one.comebacks for one in draws]))
    return PowerAtSize(size, comebacks, detected / len(draws), float(limits.lo), float(limits.hi))


def _per_100(log: _SampledLog, exposure: FloatArray) -> float:
    """What meeting the step would spare under the planted effect, averaged over the log."""
    mass = exposure * np.exp(log.linear_predictor)
    missed = log.design.missed[:, log.column] > 0
    without = np.where(missed, mass * math.exp(-log.effect), mass)
    return float(100 * np.mean(np.exp(-without) - np.exp(-mass)))


def _needed(sizes: Sequence[int], z: list[FloatArray], effect: float, power: float) -> tuple[float | None, ...]:
    """The size at which z, whose mean grows with the root of the bleeds, reaches what the chance asks for; and limits."""
    root = np.repeat(np.sqrt(sizes), [len(one) for one in z])
    toward = np.concatenate(z) * math.copysign(1, effect)
    slope = float(root @ toward / (root @ root))
    sd = float(np.std(toward - slope * root, ddof=1)) / math.sqrt(float(root @ root))
    target_z = LIMIT + NormalDist().inv_cdf(power)
    return tuple((target_z / one) ** 2 if one > 0 else None for one in (slope, slope + Z95 * sd, slope - Z95 * sd))
