"""Dose-response curves: adjusted risk as a function of a measured reading, against the procedure's limits."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.standard import Limits, Step
from analysis.stats import Z95, benjamini_hochberg, equal_values_p_value
from analysis.steps.design_matrix import EFFECT_RIDGE, Design
from analysis.steps.marginal_effects import (
    Gradients,
    clustered_influence,
    expected_baseline_hazard,
    fit_step_model,
    time_and_event,
)
from analysis.survival import Block, SurvivalModel
from schemas import empty, validate_table
from schemas.outputs import Tolerance

FloatArray = NDArray[np.float64]
MIN_RECORDED = 50
MAX_LEVELS = 6
MIN_EXPECTED = 5.0
KNOT_QUANTILES = (0.05, 0.275, 0.5, 0.725, 0.95)
GRID_POINTS = 25
NO_LIMITS = Limits(None, None)
LIMIT_SLACK = 1e-9
"""Spline knots at these quantiles of the reading (F. E. Harrell 2015, Regression Modeling Strategies, 2nd ed., table
2.3, from memory); a level for each value where there are at most `MAX_LEVELS`, each with `MIN_EXPECTED` comebacks
expected: with fewer, and above all with none, the clustered standard error is far too small (common practice, no source,
for the number). Points at which a spline is tabulated. Limits are inclusive up to `LIMIT_SLACK`."""


@dataclass(frozen=True)
class _MeasuredReading:
    step: Step
    values: FloatArray = field(repr=False)
    curve: ReadingCurve = field(repr=False)


@dataclass(frozen=True)
class DoseResponseInputs:
    """Bleeds, their design matrix and the model of the steps, shared by all curves."""

    data: BleedData
    design: Design
    step_model: SurvivalModel = field(repr=False)

    @property
    def fewest_readings(self) -> float:
        """Readings among which `MIN_EXPECTED` comebacks are expected."""
        comebacks = int(time_and_event(self.data.bleeds)[1].sum())
        return MIN_EXPECTED * self.data.bleeds.height / max(comebacks, 1)


def dose_response_inputs(
    data: BleedData, design: Design | None, return_model: SurvivalModel | None = None
) -> DoseResponseInputs | None:
    """Collect what every curve is fitted with; None without a design.

    The return model, over the whole follow-up, is fitted here unless given.
    """
    if design is None:
        return None
    return DoseResponseInputs(data, design, fit_step_model(data, design) if return_model is None else return_model)


def dose_response_curves(base: DoseResponseInputs | None) -> DataFrame[Tolerance]:
    """Adjusted risk along each measured field that decides a step.

    Estimand: mean risk within the window and before the brake's next bleed, over the bleeds where the reading was
    recorded, had each had this reading and everything else as it was. The curve of the reading replaces the step in the
    time-to-return model. Intervals: infinitesimal jackknife clustered by bike, on the log cumulative hazard. One Wald test
    per curve that it is flat. A level with fewer than `MIN_EXPECTED` expected comebacks, alone on its side of the limits,
    is not tested and has no interval. Benjamini-Hochberg over the curves. Without a base the table is empty.
    """
    table = pl.concat([empty(Tolerance), *(curve.table for curve in fit_curves(base))]).sort("step", "reading")
    tests = table.group_by("step", maintain_order=True).agg(pl.col("p_value").first())
    q = benjamini_hochberg(tests.get_column("p_value").fill_null(1.0).to_numpy())
    tests = tests.select("step", q_value=pl.Series(q, dtype=pl.Float64))
    table = table.drop("q_value").join(tests, on="step", how="left", maintain_order="left")
    return validate_table(Tolerance, table.select(empty(Tolerance).columns))


@dataclass(frozen=True)
class FittedCurve:
    """One curve: its rows of `Tolerance` by reading, without q-value, and the log hazards there with their covariance."""

    step: Step
    table: pl.DataFrame = field(repr=False)
    log_hazard: FloatArray = field(repr=False)
    covariance: FloatArray = field(repr=False)


def fit_curves(base: DoseResponseInputs | None) -> list[FittedCurve]:
    """A curve for each measured field that decides a step; see `dose_response_curves`."""
    return [] if base is None else [_fit_curve(base, reading) for reading in _select_readings(base)]


def _select_readings(base: DoseResponseInputs) -> list[_MeasuredReading]:
    """Measured fields with limits in the procedure whose step is in the design, recorded at least `MIN_RECORDED`
    times and varying.
    """
    data, design, readings = base.data, base.design, []
    for step in data.standard.steps:
        column = data.bleeds.get_column(step.field)
        limited = step.limits.lo is not None or step.limits.hi is not None
        if step.id not in design.steps or not limited or not column.dtype.is_numeric():
            continue
        values = column.cast(pl.Float64).fill_null(float("nan")).to_numpy()
        recorded = values[np.isfinite(values)]
        if len(recorded) >= MIN_RECORDED and len(np.unique(recorded)) >= 2:
            readings.append(_MeasuredReading(step, values, reading_curve(recorded, step.limits, base.fewest_readings)))
    return readings


def _fit_curve(base: DoseResponseInputs, reading: _MeasuredReading) -> FittedCurve:
    data, design = base.data, base.design
    recorded = np.isfinite(reading.values)
    basis = np.zeros((len(reading.values), reading.curve.width))
    basis[recorded] = reading.curve.basis(reading.values[recorded])
    centre = basis.mean(axis=0)
    step = design.steps.index(reading.step.id)
    other_columns = np.delete(np.arange(design.x.shape[1]), step)
    x, reading_start = np.hstack([design.x[:, :step], design.x[:, step + 1 :], basis - centre]), len(other_columns)
    model = base.step_model.fit(
        x,
        *time_and_event(data.bleeds),
        blocks=[*design.select_blocks(other_columns.tolist()), Block(reading_start, x.shape[1], EFFECT_RIDGE)],
        clusters=design.bike,
        start=np.append(base.step_model.coefficients[other_columns], np.zeros(reading.curve.width)),
    )
    grid_basis = reading.curve.basis(reading.curve.grid) - centre
    effects = model.coefficients[reading_start:]
    hazard_without = expected_baseline_hazard(data, model) * np.exp(
        x[:, :reading_start] @ model.coefficients[:reading_start]
    )
    risks = _mean_risks(
        x, np.where(recorded, hazard_without, 0.0), grid_basis, np.exp(grid_basis @ effects), int(recorded.sum())
    )
    influence = clustered_influence(model, risks.gradients, data.window_days)
    sd = np.sqrt((influence**2).sum(axis=0)) * model.standard_error_factor
    bleeds = reading.curve.nearest_counts(reading.values[recorded])
    enough = (bleeds >= base.fewest_readings) | (not reading.curve.levels)
    limits = np.array([_risk_limits(risk, error) for risk, error in zip(risks.mean, sd, strict=True)])
    limits[~enough] = np.nan
    effect_influence = model.influence(np.eye(x.shape[1])[:, reading_start:]) * model.standard_error_factor
    log_hazard = grid_basis @ effects
    covariance = grid_basis @ (effect_influence.T @ effect_influence) @ grid_basis.T
    p_value = equal_values_p_value(log_hazard[enough], covariance[np.ix_(enough, enough)])
    columns = {
        "reading": reading.curve.grid, "pooled": reading.curve.pooled, "bleeds": bleeds, "risk": risks.mean, "lo": limits[:, 0], "hi": limits[:, 1],
    }  # fmt: skip
    return FittedCurve(reading.step, _tolerance_rows(reading.step, columns, p_value), log_hazard, covariance)


def _tolerance_rows(step: Step, columns: dict[str, Any], p_value: float) -> pl.DataFrame:
    """Rows of `Tolerance`, without q-value."""
    constant = {
        "step": step.id,
        "field": step.field,
        "tolerance_lo": step.limits.lo,
        "tolerance_hi": step.limits.hi,
        "p_value": None if np.isnan(p_value) else p_value,
        "q_value": None,
    }
    names = ("tolerance_lo", "tolerance_hi", "p_value", "q_value")
    types = {"pooled": pl.String, **dict.fromkeys(names, pl.Float64)}
    table = pl.DataFrame({**columns, **constant}, schema_overrides=types)
    return table.with_columns(pl.col("lo", "hi").fill_nan(None)).select(empty(Tolerance).columns)


@dataclass(frozen=True)
class _MeanRisks:
    """Mean risk at each reading, and its gradients."""

    mean: FloatArray
    gradients: Gradients


def _mean_risks(
    x: FloatArray, hazard_without: FloatArray, grid_basis: FloatArray, ratios: FloatArray, bleeds: int
) -> _MeanRisks:
    """Mean risk at each grid reading, over the bleeds where it was recorded.

    `hazard_without` is each bleed's cumulative hazard without the reading's effect (0 where not recorded), `grid_basis`
    the basis at the grid, `ratios` the hazard ratio there.
    """
    hazard = hazard_without[:, None] * ratios
    survival = np.exp(-hazard)
    slope = hazard * survival
    baseline_slope, size = slope.sum(axis=0), x.shape[1] - grid_basis.shape[1]
    gradient = np.vstack([x[:, :size].T @ slope, (baseline_slope[:, None] * grid_basis).T])
    return _MeanRisks((1 - survival).sum(axis=0) / bleeds, Gradients(gradient / bleeds, baseline_slope / bleeds))


def _risk_limits(risk: float, sd: float) -> tuple[float, float]:
    """95% limits on the scale log(−log(1 − risk))."""
    risk = min(max(risk, 1e-9), 1 - 1e-9)
    hazard = -np.log1p(-risk)
    factor = np.exp(np.minimum(Z95 * sd / ((1 - risk) * hazard), 50.0))
    return float(-np.expm1(-hazard / factor)), float(-np.expm1(-hazard * factor))


@dataclass(frozen=True)
class ReadingCurve:
    """Basis of a curve along a reading, and the readings (`grid`) at which it is tabulated.

    One level per value where there are few (`levels`), else a restricted cubic spline (Harrell 2015, sect. 2.4.5). A level
    contains all readings from its entry in `starts` to the next one's; `pooled` describes it (`6+`, `2–3`), None for one
    value alone.
    """

    grid: FloatArray
    knots: FloatArray = field(repr=False)
    starts: FloatArray | None = field(default=None, repr=False)
    pooled: tuple[str | None, ...] | None = field(default=None, repr=False)

    @property
    def levels(self) -> bool:
        return self.starts is not None

    @property
    def width(self) -> int:
        return len(self.grid) - 1 if self.levels else len(self.knots) - 1

    def basis(self, readings: FloatArray) -> FloatArray:
        """Columns of the basis (n × width): indicators of all levels but the first, or the spline."""
        if self.levels:
            return (self._level_indices(readings)[:, None] == np.arange(1, len(self.grid))).astype(float)
        return _restricted_cubic(readings, self.knots)

    def nearest_counts(self, readings: FloatArray) -> NDArray[np.int64]:
        """Number of readings in each level, or nearest to each grid point."""
        return np.bincount(self._level_indices(readings), minlength=len(self.grid)).astype(np.int64)

    def _level_indices(self, readings: FloatArray) -> NDArray[np.int64]:
        if self.starts is None:
            return _nearest_index(self.grid, readings)
        return np.maximum(np.searchsorted(self.starts, readings, side="right") - 1, 0)


def reading_curve(readings: FloatArray, limits: Limits = NO_LIMITS, least: float = 0.0) -> ReadingCurve:
    """Choose the curve for these readings (finite, at least two different values).

    No level crosses a limit, and none has fewer than `least` readings unless it is alone on its side of the limits.
    """
    values = np.unique(readings)
    knots = np.unique(np.quantile(readings, KNOT_QUANTILES, method="nearest"))
    if len(values) <= MAX_LEVELS or len(knots) < 3:
        return _level_curve(readings, knots, limits, least)
    low, high = np.quantile(readings, [0.01, 0.99], method="nearest")
    inside = values[(values >= low) & (values <= high)]
    positions = np.linspace(0, len(inside) - 1, min(GRID_POINTS, len(inside))).round().astype(int)
    return ReadingCurve(inside[np.unique(positions)], knots)


def _level_curve(readings: FloatArray, knots: FloatArray, limits: Limits, least: float) -> ReadingCurve:
    """The `MAX_LEVELS` commonest values with `least` readings; rarer ones count with the nearest on the same side of the limits."""
    values, counts = np.unique(readings, return_counts=True)
    side = _side_of_limits(values, limits)
    chosen = _commonest_values(counts, side, least)
    level = np.concatenate(
        [
            chosen[side[chosen] == s][_nearest_index(values[chosen[side[chosen] == s]], values[side == s])]
            for s in np.unique(side)
        ]
    )
    starts = [values[level == index].min() for index in chosen]
    pooled = [_pooled_label(values[level == index], bool(index == chosen[-1])) for index in chosen]
    return ReadingCurve(values[chosen], knots, np.array(starts), tuple(pooled))


def _side_of_limits(values: FloatArray, limits: Limits) -> NDArray[np.int64]:
    """0 below the limits, 1 within, 2 above."""
    low, high = (-np.inf if limits.lo is None else limits.lo), (np.inf if limits.hi is None else limits.hi)
    return 1 + (values > high + LIMIT_SLACK).astype(np.int64) - (values < low - LIMIT_SLACK)


def _commonest_values(counts: NDArray[np.int64], side: NDArray[np.int64], least: float) -> NDArray[np.int64]:
    """Indices of the commonest value of each side and then of the commonest others of `least`, `MAX_LEVELS` in all."""
    order = np.argsort(-counts, kind="stable")
    first = [order[side[order] == s][0] for s in np.unique(side)]
    others = [index for index in order if index not in first and counts[index] >= least]
    return np.sort(np.array([*first, *others][:MAX_LEVELS], dtype=np.int64))


def _pooled_label(values: FloatArray, is_last: bool) -> str | None:
    if len(values) == 1:
        return None
    return f"{values[0]:g}+" if is_last else f"{values[0]:g}–{values[-1]:g}"


def _nearest_index(grid: FloatArray, readings: FloatArray) -> NDArray[np.int64]:
    """Index of the nearest grid point."""
    right = np.clip(np.searchsorted(grid, readings), 1, max(len(grid) - 1, 1))
    if len(grid) == 1:
        return np.zeros(len(readings), dtype=np.int64)
    left_closer = readings - grid[right - 1] <= grid[right] - readings
    return right - left_closer


def _restricted_cubic(readings: FloatArray, knots: FloatArray) -> FloatArray:
    """Cubic spline, linear beyond the outer knots, on readings scaled to the span of the knots."""
    span = knots[-1] - knots[0]
    u, t = (readings - knots[0]) / span, (knots - knots[0]) / span

    def cube(at: float) -> FloatArray:
        return np.maximum(u - at, 0.0) ** 3

    last, second_last = t[-1], t[-2]
    columns = [u]
    for at in t[:-2]:
        basis = (
            cube(at)
            - cube(second_last) * (last - at) / (last - second_last)
            + cube(last) * (second_last - at) / (last - second_last)
        )
        columns.append(basis)
    return np.column_stack(columns)
