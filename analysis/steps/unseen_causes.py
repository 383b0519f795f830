"""Signs of an unmeasured confounder of misses and comebacks, and how strong one would have to be.

Negative controls: what a step cannot cause (M. Lipsitch, E. Tchetgen Tchetgen & T. Cohen 2010, Epidemiology 21:383-388).
Returns for pads, noise, drag or worn parts are not caused by steps that touch neither pads nor pistons and spill no fluid;
bubbles in the first pass are not caused by later steps.
Exclusion: the bubbles do not lead to misses of closing steps either (many bubbles take time).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import CASE_MIX, CASE_MIX_NUMBERS, BleedData
from analysis.stats import (
    benchmark_r2,
    calibrated_p_value,
    clustered_covariance,
    normal_tail,
    omitted_variable_bias,
    systematic_error,
)
from analysis.steps.design_matrix import NOT_RECORDED, READINGS, Design
from analysis.survival import CoxModel

FloatArray = NDArray[np.float64]
MIN_RETURNS, MIN_CONTROLS, MIN_RECORDED = 40, 3, 200
SIGNIFICANCE = 0.01
"""Level of each test for an unmeasured confounder, one-sided."""
BENCHMARKS = (*CASE_MIX, "brake_model", *CASE_MIX_NUMBERS)
CARRIERS = {
    "shop": ("shop",),
    "technician": ("technician", "mean"),
    "bleeds_that_day": ("bleeds that day",),
    "calendar_time": ("day",),
}
"""Who, where and when, as columns of the design: what hurry may go with."""
MAY_CAUSE_OTHER_RETURNS = (
    "pads_out", "pistons_seated", "blocks_fitted", "lever_syringe_fill", "caliper_syringe_fill", "caliper_syringe_end_ml",
    "cleaned",
)  # fmt: skip
"""What a step records if a miss may end in noise, drag or spoiled pads: fluid on the pads, pistons not pushed back, a system
filled too full (common practice, no source). A workshop's own steps may do so too."""
MAX_TIMES = 99.0
RIDGE = 1e-2


@dataclass(frozen=True)
class ConfounderTest:
    """One test for an unmeasured confounder: `value` is 0 without one, p is one-sided; NaN where it could not be made."""

    value: float = float("nan")
    p_value: float = float("nan")

    @property
    def is_significant(self) -> bool:
        return self.p_value <= SIGNIFICANCE


@dataclass(frozen=True)
class UnseenCauses:
    """Tests for unmeasured confounders, and the strength one must have.

    `returns`: mean log hazard ratio of a miss for returns that it cannot cause; `bubbles`: change of the log of the bubbles
    in the first pass with a miss of a later step; `retro`: share of entries missing among bleeds that came back less that
    among others (negative: probably completed after the return), with both shares. `error` is mean and standard
    deviation of the systematic error (None with fewer than 40 other returns). `bias` is, for each step, the bias (per 100)
    of the direct effect by an unmeasured confounder as strong as its `benchmark` (NaN and "" without one); `scale` the
    standard error times √df of the least-squares estimate of that effect.
    """

    returns: ConfounderTest
    bubbles: ConfounderTest
    retro: ConfounderTest
    shares: tuple[float, float]
    error: tuple[float, float] | None
    bias: FloatArray = field(repr=False)
    benchmark: tuple[str, ...] = field(repr=False)
    scale: FloatArray = field(repr=False)

    @property
    def suspected(self) -> bool:
        """Whether any test is positive."""
        return self.returns.is_significant or self.bubbles.is_significant or self.retro.is_significant

    @property
    def notes(self) -> tuple[str, ...]:
        """A sentence for every test that shows one."""
        notes = []
        if self.returns.is_significant:
            notes.append(
                "Missed steps also go with returns for pads, noise or worn parts, which these steps cannot cause "
                f"(hazard ratio of a miss {np.exp(self.returns.value):.2f}, p = {self.returns.p_value:.3f})."
            )
        if self.bubbles.is_significant:
            notes.append(
                "Steps missed at the end of the bleed go with more bubbles in the first pass, which they cannot cause "
                f"({np.expm1(self.bubbles.value):+.1%} for each miss, p = {self.bubbles.p_value:.3f}). Either something not "
                "recorded causes both, or many bubbles take so much time that steps at the end are left out."
            )
        if self.retro.is_significant:
            back, others = self.shares
            notes.append(
                f"Bleeds that came back have fewer empty entries ({back:.1%}) than the others ({others:.1%}): entries were "
                "probably completed after the return."
            )
        if notes:
            notes.append(
                "Something that is not recorded may cause both missed steps and comebacks. The steps below go with comebacks; "
                "this log cannot show whether they cause them."
            )
        return tuple(notes)

    def calibrated_p_values(self, effects: FloatArray) -> FloatArray:
        """p-value of each step against the systematic error, from draws of its log hazard ratio (draws × steps)."""
        if self.error is None:
            return np.full(effects.shape[1], np.nan)
        return calibrated_p_value(effects.mean(axis=0), effects.std(axis=0), *self.error)


def unseen_causes(data: BleedData, design: Design) -> UnseenCauses:
    """Test the log for unmeasured confounders, and compare the steps with the recorded groups."""
    returns, error = _test_other_returns(data, design)
    retro, shares = _test_late_entries(data, design)
    bias, benchmark, scale = _strongest_group_bias(data, design)
    return UnseenCauses(returns, _test_first_bubbles(data, design), retro, shares, error, bias, benchmark, scale)


def _test_other_returns(data: BleedData, design: Design) -> tuple[ConfounderTest, tuple[float, float] | None]:
    """Effects of the steps on other returns, which these steps cannot cause: their mean, and the systematic error."""
    days = data.bleeds.get_column("other_return_days", default=pl.Series(dtype=pl.Int64)).fill_null(-1).to_numpy()
    at_risk = data.bleeds.get_column("days_at_risk").to_numpy()
    event = (days >= 0) & (days <= at_risk) if len(days) else np.zeros(len(at_risk), dtype=bool)
    controls = _negative_control_columns(data, design)
    if event.sum() < MIN_RETURNS or len(controls) < MIN_CONTROLS:
        return ConfounderTest(), None
    time = np.where(event, days, at_risk)
    model = CoxModel.fit(design.x, time, event, blocks=design.blocks, clusters=design.bike)
    influence = model.influence(np.eye(design.x.shape[1])[:, controls]) * model.standard_error_factor
    estimates, covariance = model.coefficients[controls], influence.T @ influence
    return _test_weighted_mean(estimates, covariance), systematic_error(estimates, np.sqrt(np.diag(covariance)))


def _negative_control_columns(data: BleedData, design: Design) -> list[int]:
    """Columns of the steps whose miss cannot end in noise, drag, spoiled pads or wear."""
    field_of = {step.id: step.field for step in data.standard.steps}
    fields = [field_of[step] for step in design.steps]
    return [i for i, one in enumerate(fields) if one not in MAY_CAUSE_OTHER_RETURNS and not one.startswith("own.")]


def _test_weighted_mean(estimates: FloatArray, covariance: FloatArray) -> ConfounderTest:
    """Mean by precision of estimates that should be zero, tested to be above it."""
    variances = np.diag(covariance)
    if not (variances > 0).all():
        return ConfounderTest()
    weights = (1 / variances) / (1 / variances).sum()
    mean, sd = float(weights @ estimates), float(np.sqrt(weights @ covariance @ weights))
    return ConfounderTest(mean, float(normal_tail(mean / sd)))


def _test_first_bubbles(data: BleedData, design: Design) -> ConfounderTest:
    """Whether misses after the passes go with more bubbles in the first pass.

    Steps of the passes themselves may respond to the bubbles and are left out. Exclusion assumption: bubbles do not lead to
    misses of the steps after the passes, by the time they take for instance; the association has no direction.
    """
    name, place = READINGS[0]
    by_id = {step.id: step for step in data.standard.steps}
    later = [i for i, step in enumerate(design.steps) if by_id[step].is_after("passes")]
    count = data.bleeds.get_column(name, default=pl.Series(dtype=pl.Int64))
    responding = {step for step in design.steps if by_id[step].is_after(place) and not by_id[step].is_after("passes")}
    if len(later) < MIN_CONTROLS or count.count() < MIN_RECORDED:
        return ConfounderTest()
    names = [n.removeprefix(NOT_RECORDED) for n in design.names]
    columns_used = [i for i, n in enumerate(names) if n not in responding and not n.startswith(name)]
    rows = np.flatnonzero(count.is_not_null().to_numpy())
    y = np.log1p(count.drop_nulls().to_numpy().astype(float))
    estimates, covariance = _least_squares(design.x[rows][:, columns_used], y, design.bike[rows])
    columns = [columns_used.index(i) for i in later]
    return _test_weighted_mean(estimates[columns], covariance[np.ix_(columns, columns)])


def _test_late_entries(data: BleedData, design: Design) -> tuple[ConfounderTest, tuple[float, float]]:
    """Whether bleeds that came back have fewer missing entries than others of the same technician and work."""
    mature = data.bleeds.get_column("mature").to_numpy()
    missing = design.unrecorded.mean(axis=1)[mature]
    back = data.bleeds.get_column("came_back").to_numpy()[mature].astype(float)
    if back.sum() < MIN_CONTROLS or not missing.any() or back.all():
        return ConfounderTest(), (0.0, 0.0)
    columns_used = [
        i for block in design.blocks for i in range(block.start, block.stop) if _is_adjustment_column(design.names[i])
    ]
    x = np.column_stack([back, design.x[mature][:, columns_used]])
    estimates, covariance = _least_squares(x - x.mean(axis=0), missing, design.bike[mature])
    shares = float(missing[back == 1].mean()), float(missing[back == 0].mean())
    p = float(normal_tail(-estimates[0] / np.sqrt(max(covariance[0, 0], 1e-30))))
    return ConfounderTest(float(estimates[0]), p), shares


def _is_adjustment_column(name: str) -> bool:
    return name.startswith((*BENCHMARKS, "shop", "technician", "day ", "bleeds that day"))


def _least_squares(x: FloatArray, y: FloatArray, bike: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    """Coefficients (without the intercept) and their covariance, clustered by bike."""
    rows = np.column_stack([x, np.ones(len(x))])
    inverse = np.linalg.inv(rows.T @ rows + RIDGE * np.eye(rows.shape[1]))
    estimates = inverse @ (rows.T @ y)
    covariance = clustered_covariance((rows * (y - rows @ estimates)[:, None]) @ inverse, bike)
    return estimates[:-1], covariance[:-1, :-1]


def _strongest_group_bias(data: BleedData, design: Design) -> tuple[FloatArray, tuple[str, ...], FloatArray]:
    """For each step the largest bias (per 100) of an unmeasured confounder as strong as a recorded group, and which.

    Workshops are compared without the columns of their technicians, who say all about the workshop. NaN and "" where no
    group explains any residual variance of both miss and comeback: then there is nothing to compare with.
    """
    mature = data.bleeds.get_column("mature").to_numpy()
    y = data.bleeds.get_column("came_back").to_numpy()[mature].astype(float)
    variances = _ResidualVariances(np.column_stack([design.x[mature], y]))
    width, groups = design.x.shape[1], _benchmark_groups(design.names)
    nested = {"shop": groups.get("technician", [])}
    outcome = {
        name: variances.adjusted_partial_r2(width, columns, nested.get(name, [])) for name, columns in groups.items()
    }
    bias, names, scale = np.full(design.step_count, np.nan), [], np.zeros(design.step_count)
    for step in range(design.step_count):
        scale[step] = np.sqrt(variances.of(width, []) / variances.of(step, [width]))
        candidates = {"": 0.0}
        for name, columns in groups.items():
            treatment = variances.adjusted_partial_r2(step, columns, [width, *nested.get(name, [])])
            candidates[name] = omitted_variable_bias(*benchmark_r2(treatment, outcome[name]), scale[step], 1.0)
        names.append(max(candidates, key=lambda name: candidates[name]))
        bias[step] = candidates[names[-1]] or np.nan
    share = 100 * design.missed.mean(axis=0)
    return bias * share, tuple(names), scale * share


def _benchmark_groups(names: tuple[str, ...]) -> dict[str, list[int]]:
    """Columns of the design by group of recorded facts; groups without a column are left out."""
    prefixes = {**{name: (name,) for name in BENCHMARKS}, **CARRIERS}
    groups = {
        group: [i for i, n in enumerate(names) if any(n == start or n.startswith(start + " ") for start in starts)]
        for group, starts in prefixes.items()
    }
    return {group: columns for group, columns in groups.items() if columns}


class _ResidualVariances:
    """Residual variances of least-squares regressions among the columns of a matrix, from its cross products.

    All follow from one inverse: the inverse of its block for a column and those left out is their covariance given the
    others. Degrees of freedom are effective ones, since the columns of technicians depend on each other.
    """

    def __init__(self, columns: FloatArray) -> None:
        centred = columns - columns.mean(axis=0) if len(columns) else columns
        self.rows = len(columns)
        self.precision = np.linalg.inv(centred.T @ centred + RIDGE * np.eye(columns.shape[1]))
        self.squared = self.precision @ self.precision

    def of(self, target: int, left_out: list[int]) -> float:
        """Residual variance of a column given all others but `left_out`."""
        block = np.ix_([target, *left_out], [target, *left_out])
        rest = np.linalg.inv(self.precision[block])
        ridge_trace = np.trace(self.precision) - np.sum(rest * self.squared[block])
        used = len(self.precision) - len(rest) - RIDGE * ridge_trace
        return max(float(rest[0, 0]), 1e-12) / max(self.rows - float(used) - 1, 1.0)

    def adjusted_partial_r2(self, target: int, columns: list[int], left_out: list[int]) -> float:
        """Adjusted partial R² of some columns with the target, given the others; 0 where it is not positive."""
        return max(1 - self.of(target, left_out) / self.of(target, [*columns, *left_out]), 0.0)
