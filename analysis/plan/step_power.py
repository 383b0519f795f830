"""How many bleeds it takes to see what a step costs: the shop's own log drawn again, with the step's effect planted."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.followup import CoxModel
from analysis.prepared import Prepared
from analysis.stats import Z95, wilson
from analysis.steps import Design, MarginalEffects, by_return, design_of, raw_steps

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]
LEAST_BLEEDS = 10
LIMIT = NormalDist().inv_cdf(0.975)


@dataclass(frozen=True)
class AtSize:
    """What came of the runs of one size: in what share the step was found, and how many came back on average."""

    bleeds: int
    comebacks: float
    found: float
    lo: float
    hi: float


@dataclass(frozen=True)
class StepPower:
    """Power by size, and the size that finds the step with the chance asked for, with 95% limits (None: past reach).

    `per_100` is what the planted effect would spare per 100 bleeds at the shop's own share of misses.
    """

    step: str
    times: float
    per_100: float
    power: float
    sizes: tuple[AtSize, ...]
    needed: float | None
    needed_lo: float | None
    needed_hi: float | None


@dataclass(frozen=True)
class _Shop:
    """What is sampled from: the design, its bikes' rows, each bleed's log hazard and days watched, and the baseline by day."""

    design: Design
    column: int
    effect: float
    rows_of_bike: list[Places]
    linear: Numbers
    watched: Places
    cumulative: Numbers


def can_be_told(prepared: Prepared) -> tuple[str, ...]:
    """Steps with enough missed and enough met bleeds to draw from."""
    raw = raw_steps(prepared)
    met = raw.get_column("recorded") - raw.get_column("missed")
    enough = (raw.get_column("missed") >= LEAST_BLEEDS) & (met >= LEAST_BLEEDS)
    return tuple(raw.filter(enough).get_column("step"))


def step_power(
    prepared: Prepared,
    step: str,
    times: float,
    sizes: Sequence[int],
    rng: np.random.Generator,
    *,
    power: float = 0.8,
    runs: int = 40,
    told: Callable[[str], None] = lambda _: None,
) -> StepPower:
    """The chance to find a step's effect from returns alone, by simulation from the shop's own log.

    The time-to-return model is fitted to the log; the step's coefficient is replaced by the logarithm of `times`; bikes
    are drawn with replacement, their bleeds come back by the model within the days each was watched, and the same model
    is fitted to what was drawn. A step is found when its two-sided p-value is at most 0.05. What the stand's signs add
    is left out: the audit's headline needs fewer bleeds where signs foretell returns.

    Parameters
    ----------
    prepared
        A log with at least 40 comebacks.
    step
        One of `can_be_told(prepared)`.
    times
        How many times as likely a miss makes a return (a hazard ratio), above 0 and not 1.
    sizes
        Bleeds to draw, each at least 50.
    rng
        For the draws.
    power
        The chance asked for, in (0, 1).
    runs
        Draws of each size.
    told
        Is told each size as it begins.

    Raises
    ------
    ValueError
        The step cannot be told, or a number is out of its range.
    """
    steps = can_be_told(prepared)
    if step not in steps or not 0 < times < math.inf or times == 1 or not 0 < power < 1:
        raise ValueError(
            f"step_power: a step of {steps}, times above 0 and not 1, power in (0, 1); got {step}, {times}"
        )
    design = design_of(prepared, steps)
    fitted = by_return(prepared, design)
    place = steps.index(step)
    shop = _shop(prepared, design, fitted, place, math.log(times))
    z, at = [], []
    for size in sizes:
        told(f"{size:,} bleeds, drawn {runs} times")
        drawn = [_drawn(shop, size, rng) for _ in range(runs)]
        z.append(np.array([one.z for one in drawn]))
        at.append(_at(size, drawn))
    needed, lo, hi = _needed(sizes, z, shop.effect, power)
    return StepPower(step, times, _per_100(shop, fitted.exposure), power, tuple(at), needed, lo, hi)


@dataclass(frozen=True)
class _Draw:
    z: float
    comebacks: int


def _shop(prepared: Prepared, design: Design, fitted: MarginalEffects, place: int, effect: float) -> _Shop:
    bleeds, model = prepared.bleeds, fitted.model
    gap = bleeds.get_column("next_bleed_days").cast(pl.Float64).fill_null(np.inf).to_numpy()
    order = np.argsort(design.bike, kind="stable")
    return _Shop(
        design=design,
        column=place,
        effect=effect,
        rows_of_bike=np.split(order, np.flatnonzero(np.diff(design.bike[order])) + 1),
        linear=model.linear_predictor(design.x) + (effect - model.coefficients[place]) * design.x[:, place],
        watched=np.minimum(gap, bleeds.get_column("age_days").to_numpy()).astype(np.int64),
        cumulative=model.cumulative_hazard(np.arange(int(bleeds.get_column("days_at_risk").to_numpy().max()) + 1)),
    )


def _drawn(shop: _Shop, size: int, rng: np.random.Generator) -> _Draw:
    """One log of about this size with returns by the model, and how many standard errors the step stands from 0."""
    bikes: list[Places] = []
    total = 0
    while total < size:
        bikes.append(shop.rows_of_bike[rng.integers(len(shop.rows_of_bike))])
        total += len(bikes[-1])
    rows = np.concatenate(bikes)
    bike = np.repeat(np.arange(len(bikes)), [len(one) for one in bikes])
    reach = rng.exponential(size=len(rows)) / np.exp(shop.linear[rows])
    day = np.searchsorted(shop.cumulative, reach)
    returned = (day < len(shop.cumulative)) & (day <= shop.watched[rows])
    if not returned.any():
        return _Draw(0.0, 0)
    x, time = shop.design.x[rows], np.where(returned, day, shop.watched[rows])
    model = CoxModel.fit(x, time, returned, blocks=shop.design.blocks, clusters=bike)
    moved = model.influence(np.eye(x.shape[1])[:, [shop.column]]) * model.df_correction
    sd = float(np.sqrt((moved**2).sum()))
    return _Draw(float(model.coefficients[shop.column]) / max(sd, 1e-12), int(returned.sum()))


def _at(size: int, drawn: list[_Draw]) -> AtSize:
    found = sum(abs(one.z) >= LIMIT for one in drawn)
    limits = wilson(found, len(drawn))
    comebacks = float(np.mean([one.comebacks for one in drawn]))
    return AtSize(size, comebacks, found / len(drawn), float(limits.lo), float(limits.hi))


def _per_100(shop: _Shop, exposure: Numbers) -> float:
    """What meeting the step would spare under the planted effect, averaged over the log."""
    mass = exposure * np.exp(shop.linear)
    missed = shop.design.missed[:, shop.column] > 0
    without = np.where(missed, mass * math.exp(-shop.effect), mass)
    return float(100 * np.mean(np.exp(-without) - np.exp(-mass)))


def _needed(sizes: Sequence[int], z: list[Numbers], effect: float, power: float) -> tuple[float | None, ...]:
    """The size at which z, whose mean grows with the root of the bleeds, reaches what the chance asks for; and limits."""
    root = np.repeat(np.sqrt(sizes), [len(one) for one in z])
    toward = np.concatenate(z) * math.copysign(1, effect)
    slope = float(root @ toward / (root @ root))
    sd = float(np.std(toward - slope * root, ddof=1)) / math.sqrt(float(root @ root))
    reach = LIMIT + NormalDist().inv_cdf(power)
    return tuple((reach / one) ** 2 if one > 0 else None for one in (slope, slope + Z95 * sd, slope - Z95 * sd))
