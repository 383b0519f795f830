"""How many bleeds: for a rate, for a difference between two arms (randomised by bleed or by week), for a step's effect.

Normal approximation with the pooled variance under the null hypothesis: J. L. Fleiss, B. Levin & M. C. Paik,
Statistical Methods for Rates and Proportions. Design effect: L. Kish 1965. For a step: the shop's own log resampled with
a known effect.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.stats import Z95, FloatArray, wilson
from analysis.steps import Design, MarginalEffects, build_design, crude_step_differences, estimate_marginal_effects
from analysis.survival import CoxModel

_NORMAL = NormalDist()
IndexArray = NDArray[np.int64]
MIN_BLEEDS = 10
CRITICAL_Z = NormalDist().inv_cdf(0.975)


def two_arm_power(rate_1: float, rate_2: float, bleeds_1: float, bleeds_2: float, alpha: float = 0.05) -> float:
    """Power of a two-sided test at `alpha` for the difference between two rates.

    Parameters
    ----------
    rate_1, rate_2
        Comeback rates of the arms, fractions in (0, 1).
    bleeds_1, bleeds_2
        Bleeds in each arm.
    """
    _check_rates(rate_1, rate_2)
    pooled = (bleeds_1 * rate_1 + bleeds_2 * rate_2) / (bleeds_1 + bleeds_2)
    null_sd = math.sqrt(pooled * (1 - pooled) * (1 / bleeds_1 + 1 / bleeds_2))
    sd = math.sqrt(rate_1 * (1 - rate_1) / bleeds_1 + rate_2 * (1 - rate_2) / bleeds_2)
    limit = _NORMAL.inv_cdf(1 - alpha / 2) * null_sd
    difference = abs(rate_1 - rate_2)
    return _NORMAL.cdf((difference - limit) / sd) + _NORMAL.cdf((-difference - limit) / sd)


def bleeds_per_arm(rate_1: float, rate_2: float, power: float = 0.8, alpha: float = 0.05) -> float:
    """Bleeds in each arm (not rounded) for a power of `power`."""
    _check_rates(rate_1, rate_2)
    if rate_1 == rate_2:
        raise ValueError(f"both rates are {rate_1}: expected two different rates")
    mean_rate = (rate_1 + rate_2) / 2
    null_term = _NORMAL.inv_cdf(1 - alpha / 2) * math.sqrt(2 * mean_rate * (1 - mean_rate))
    alternative_term = _NORMAL.inv_cdf(power) * math.sqrt(rate_1 * (1 - rate_1) + rate_2 * (1 - rate_2))
    return ((null_term + alternative_term) / (rate_1 - rate_2)) ** 2


def continuity_corrected_size(bleeds: float, rate_1: float, rate_2: float) -> float:
    """Two-arm size with Fleiss's continuity correction, close to that of an exact test."""
    return bleeds / 4 * (1 + math.sqrt(1 + 4 / (bleeds * abs(rate_1 - rate_2)))) ** 2


def one_rate_bleeds(rate: float, detect: float, power: float = 0.9, alpha: float = 0.05) -> float:
    """Bleeds to detect a rate of `detect` against a known `rate`, one-sided (NIST/SEMATECH e-Handbook 7.2.4.2)."""
    _check_rates(rate, detect)
    null_term = _NORMAL.inv_cdf(1 - alpha) * math.sqrt(rate * (1 - rate))
    alternative_term = _NORMAL.inv_cdf(power) * math.sqrt(detect * (1 - detect))
    return ((null_term + alternative_term) / (detect - rate)) ** 2


def precise_rate_bleeds(rate: float, half_width: float) -> int:
    """Smallest number of bleeds whose 95% Wilson interval at `rate` has at most this half width."""
    _check_rates(rate, rate)
    low, high = 1, 2
    while _wilson_half_width(rate, high) > half_width:
        low, high = high, high * 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if _wilson_half_width(rate, middle) > half_width else (low, middle)
    return high


def design_effect(bleeds_per_week: float, weekly_correlation: float) -> float:
    """Factor on the number of bleeds when whole weeks are randomised (Kish 1965)."""
    return 1 + (bleeds_per_week - 1) * weekly_correlation


def _wilson_half_width(rate: float, bleeds: int) -> float:
    z = _NORMAL.inv_cdf(0.975)
    return z / (1 + z * z / bleeds) * math.sqrt(rate * (1 - rate) / bleeds + z * z / (4 * bleeds * bleeds))


def _check_rates(*rates: float) -> None:
    for rate in rates:
        if not 0 < rate < 1:
            raise ValueError(f"the rate is {rate}: expected a number between 0 and 1")


@dataclass(frozen=True)
class PowerStudy:
    """A step, the hazard ratio of a miss (above 0, not 1), and the simulation: bleeds per resample (at least 50
    each), target power in (0, 1), and resamples per size.
    """

    step: str
    hazard_ratio: float
    sizes: tuple[int, ...]
    power: float = 0.8
    runs: int = 40


@dataclass(frozen=True)
class PowerAtSize:
    """Result at one size: mean comebacks, and the share of resamples in which the step was detected, with limits."""

    bleeds: int
    comebacks: float
    share_detected: float
    lo: float
    hi: float


@dataclass(frozen=True)
class StepPower:
    """Power by size, and the bleeds required for the target power with 95% limits (None: unbounded).

    `prevented_per_100` is what never missing the step would prevent under this effect, at the shop's own miss rate.
    """

    study: PowerStudy
    prevented_per_100: float
    sizes: tuple[PowerAtSize, ...]
    required_bleeds: float | None
    required_lo: float | None
    required_hi: float | None


@dataclass(frozen=True)
class _SimulationInputs:
    """Design, rows of each bike, log hazard (n), days observed (n) and baseline cumulative hazard by day."""

    design: Design
    column: int
    effect: float
    rows_of_bike: list[IndexArray]
    linear_predictor: FloatArray
    observed_days: IndexArray
    cumulative: FloatArray


def estimable_steps(data: BleedData) -> tuple[str, ...]:
    """Steps with at least 10 missed and 10 met bleeds."""
    crude = crude_step_differences(data)
    times_met = crude.get_column("recorded") - crude.get_column("missed")
    enough = (crude.get_column("missed") >= MIN_BLEEDS) & (times_met >= MIN_BLEEDS)
    return tuple(crude.filter(enough).get_column("step"))


def step_power(
    data: BleedData, study: PowerStudy, rng: np.random.Generator, progress: Callable[[str], None] = lambda _: None
) -> StepPower:
    """Power to detect a step's effect from returns alone, by simulation.

    The time-to-return model is fitted to the log and the step's coefficient set to log(`hazard_ratio`). Bikes are
    resampled with replacement, returns are simulated from the model within the days each bleed was observed, and the
    same model is fitted. A step is detected at a two-sided p of at most 0.05. Stand readings are not used: where they
    predict returns, the audit needs fewer bleeds. `data` has at least 40 comebacks; the step of `study` is one of
    `estimable_steps(data)`; `progress` is called with a message at the start of each size.

    Raises
    ------
    ValueError
        The step is not estimable, or a number is out of range.
    """
    steps, ratio = estimable_steps(data), study.hazard_ratio
    if study.step not in steps or not 0 < ratio < math.inf or ratio == 1 or not 0 < study.power < 1:
        raise ValueError(
            f"found step {study.step}, hazard ratio {ratio} and power {study.power}: expected one of {', '.join(steps)}, "
            "a ratio above 0 other than 1, and a power between 0 and 1"
        )
    design = build_design(data, steps)
    fitted = estimate_marginal_effects(data, design)
    base = _simulation_inputs(data, design, fitted, steps.index(study.step), math.log(ratio))
    z, results = [], []
    for size in study.sizes:
        progress(f"{size:,} bleeds, {study.runs} resamples")
        resamples = [_simulate_resample(base, size, rng) for _ in range(study.runs)]
        z.append(np.array([resample.z for resample in resamples]))
        results.append(_power_at_size(size, resamples))
    required = _required_bleeds(study.sizes, z, base.effect, study.power)
    return StepPower(study, _true_prevented_per_100(base, fitted.baseline_hazard), tuple(results), *required)


@dataclass(frozen=True)
class _Resample:
    z: float
    comebacks: int


def _simulation_inputs(
    data: BleedData, design: Design, fitted: MarginalEffects, column: int, effect: float
) -> _SimulationInputs:
    bleeds, model = data.bleeds, fitted.model
    gap = bleeds.get_column("next_bleed_days").cast(pl.Float64).fill_null(np.inf).to_numpy()
    order = np.argsort(design.bike, kind="stable")
    return _SimulationInputs(
        design=design,
        column=column,
        effect=effect,
        rows_of_bike=np.split(order, np.flatnonzero(np.diff(design.bike[order])) + 1),
        linear_predictor=model.linear_predictor(design.x) + (effect - model.coefficients[column]) * design.x[:, column],
        observed_days=np.minimum(gap, bleeds.get_column("age_days").to_numpy()).astype(np.int64),
        cumulative=model.cumulative_hazard(np.arange(int(bleeds.get_column("days_at_risk").to_numpy().max()) + 1)),
    )


def _simulate_resample(log: _SimulationInputs, size: int, rng: np.random.Generator) -> _Resample:
    """Resample about `size` bleeds with simulated returns, and fit; z of the step and number of comebacks."""
    bikes: list[IndexArray] = []
    total = 0
    while total < size:
        bikes.append(log.rows_of_bike[rng.integers(len(log.rows_of_bike))])
        total += len(bikes[-1])
    rows = np.concatenate(bikes)
    bike = np.repeat(np.arange(len(bikes)), [len(rows_of_one) for rows_of_one in bikes])
    threshold = rng.exponential(size=len(rows)) / np.exp(log.linear_predictor[rows])
    day = np.searchsorted(log.cumulative, threshold)
    returned = (day < len(log.cumulative)) & (day <= log.observed_days[rows])
    if not returned.any():
        return _Resample(0.0, 0)
    x, time = log.design.x[rows], np.where(returned, day, log.observed_days[rows])
    model = CoxModel.fit(x, time, returned, blocks=log.design.blocks, clusters=bike)
    bike_influence = model.influence(np.eye(x.shape[1])[:, [log.column]]) * model.standard_error_factor
    sd = float(np.sqrt((bike_influence**2).sum()))
    return _Resample(float(model.coefficients[log.column]) / max(sd, 1e-12), int(returned.sum()))


def _power_at_size(size: int, resamples: list[_Resample]) -> PowerAtSize:
    detected = sum(abs(resample.z) >= CRITICAL_Z for resample in resamples)
    limits = wilson(detected, len(resamples))
    comebacks = float(np.mean([resample.comebacks for resample in resamples]))
    return PowerAtSize(size, comebacks, detected / len(resamples), float(limits.lo), float(limits.hi))


def _true_prevented_per_100(log: _SimulationInputs, exposure: FloatArray) -> float:
    mass = exposure * np.exp(log.linear_predictor)
    missed = log.design.missed[:, log.column] > 0
    without = np.where(missed, mass * math.exp(-log.effect), mass)
    return float(100 * np.mean(np.exp(-without) - np.exp(-mass)))


def _required_bleeds(
    sizes: Sequence[int], z: list[FloatArray], effect: float, power: float
) -> tuple[float | None, float | None, float | None]:
    """Size at which the mean z, proportional to the square root of the bleeds, gives the target power; with 95%
    limits.
    """
    root_size = np.repeat(np.sqrt(sizes), [len(value) for value in z])
    signed_z = np.concatenate(z) * math.copysign(1, effect)
    slope = float(root_size @ signed_z / (root_size @ root_size))
    sd = float(np.std(signed_z - slope * root_size, ddof=1)) / math.sqrt(float(root_size @ root_size))
    target_z = CRITICAL_Z + NormalDist().inv_cdf(power)
    bleeds, lo, hi = (
        (target_z / value) ** 2 if value > 0 else None for value in (slope, slope + Z95 * sd, slope - Z95 * sd)
    )
    return bleeds, lo, hi
