"""Where the tolerance should be: the adjusted risk along a reading (dose-response), against the standard's limits."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData
from analysis.standard import Step
from analysis.stats import Z95
from analysis.steps.design_matrix import FREE, Design
from analysis.steps.marginal_effects import (
    Gradients,
    clustered_influence,
    expected_exposure,
    fit_step_model,
    time_and_event,
)
from analysis.steps.spline import ReadingCurve, reading_curve
from analysis.survival import Block, SurvivalModel
from schemas import empty, validate_table
from schemas.outputs import Tolerance

FloatArray = NDArray[np.float64]
MIN_RECORDED = 50


@dataclass(frozen=True)
class _Reading:
    step: Step
    values: FloatArray = field(repr=False)
    curve: ReadingCurve = field(repr=False)


@dataclass(frozen=True)
class DoseResponseBase:
    """What every curve is fitted on: the bleeds, their design, and the model of the steps."""

    prepared: BleedData
    design: Design
    by_step: SurvivalModel = field(repr=False)


def dose_response_base(
    data: BleedData, design: Design | None, cox_model: SurvivalModel | None = None
) -> DoseResponseBase | None:
    """What the curves are fitted on; None where there is no design.

    Parameters
    ----------
    prepared
        The bleeds to learn from.
    design
        The design of the ranked steps; None with too few comebacks.
    cox_model
        The model of the steps over the whole follow-up; fitted here unless given.
    """
    if design is None:
        return None
    return DoseResponseBase(data, design, fit_step_model(data, design) if cox_model is None else cox_model)


def dose_response_curves(base: DoseResponseBase | None) -> DataFrame[Tolerance]:
    """The adjusted risk along each measured field that decides a step.

    Estimand: the mean risk within the window and before the brake's next bleed, over the bleeds where the reading was
    recorded, had each of them shown this reading; everything else as it was. A smooth curve of the reading (one level a
    value where there are few) takes the step's place in the time-to-return model. Intervals: infinitesimal jackknife,
    clustered by bike, on the log of the cumulative hazard.

    Parameters
    ----------
    base
        `dose_response_base` of the bleeds; without one the table is empty.

    Source of the basis: F. E. Harrell 2015, Regression Modeling Strategies, 2nd ed., sect. 2.4.5 (restricted cubic).
    """
    curves = [] if base is None else [_curve(base, one) for one in _readings(base)]
    return validate_table(Tolerance, pl.concat([empty(Tolerance), *curves]).sort("step", "reading"))


def _readings(base: DoseResponseBase) -> list[_Reading]:
    """Measured fields with limits of their own, of steps in the design, recorded often enough and varying."""
    prepared, design, readings = base.prepared, base.design, []
    for step in prepared.standard.steps:
        column = prepared.bleeds.get_column(step.field)
        limited = step.limits.lo is not None or step.limits.hi is not None
        if step.id not in design.steps or not limited or not column.dtype.is_numeric():
            continue
        values = column.cast(pl.Float64).fill_null(float("nan")).to_numpy()
        known = values[np.isfinite(values)]
        if len(known) >= MIN_RECORDED and len(np.unique(known)) >= 2:
            readings.append(_Reading(step, values, reading_curve(known)))
    return readings


def _curve(base: DoseResponseBase, reading: _Reading) -> pl.DataFrame:
    prepared, design = base.prepared, base.design
    known = np.isfinite(reading.values)
    basis = np.zeros((len(reading.values), reading.curve.width))
    basis[known] = reading.curve.basis(reading.values[known])
    centre = basis.mean(axis=0)
    step = design.steps.index(reading.step.id)
    others = np.delete(np.arange(design.x.shape[1]), step)
    x, size = np.hstack([design.x[:, :step], design.x[:, step + 1 :], basis - centre]), len(others)
    model = base.by_step.fit(
        x,
        *time_and_event(prepared.bleeds),
        blocks=[*design.blocks_of(others.tolist()), Block(size, x.shape[1], FREE)],
        clusters=design.bike,
        start=np.append(base.by_step.coefficients[others], np.zeros(reading.curve.width)),
    )
    at = reading.curve.basis(reading.curve.grid) - centre
    effects = model.coefficients[size:]
    rest = expected_exposure(prepared, model) * np.exp(x[:, :size] @ model.coefficients[:size])
    risks = _risks(x, np.where(known, rest, 0.0), at, np.exp(at @ effects), int(known.sum()))
    rows = clustered_influence(model, risks.gradients, prepared.window_days)
    sd = np.sqrt((rows**2).sum(axis=0)) * model.df_correction
    limits = np.array([_limits(risk, error) for risk, error in zip(risks.mean, sd, strict=True)])
    return pl.DataFrame(
        {
            "step": reading.step.id,
            "field": reading.step.field,
            "reading": reading.curve.grid,
            "bleeds": reading.curve.nearest_counts(reading.values[known]),
            "risk": risks.mean,
            "lo": limits[:, 0],
            "hi": limits[:, 1],
            "tolerance_lo": reading.step.limits.lo,
            "tolerance_hi": reading.step.limits.hi,
        },
        schema_overrides={"tolerance_lo": pl.Float64, "tolerance_hi": pl.Float64},
    ).select(empty(Tolerance).columns)


@dataclass(frozen=True)
class _Risks:
    """The mean risk at each reading, and its gradients."""

    mean: FloatArray
    gradients: Gradients


def _risks(x: FloatArray, rest: FloatArray, at: FloatArray, ratios: FloatArray, bleeds: int) -> _Risks:
    """Of bleeds whose mass without the reading is `rest` (0 where it was not recorded); `at` the readings' columns and `ratios`
    their hazard ratios."""
    mass = rest[:, None] * ratios
    left = np.exp(-mass)
    slope = mass * left
    by_baseline, size = slope.sum(axis=0), x.shape[1] - at.shape[1]
    gradient = np.vstack([x[:, :size].T @ slope, (by_baseline[:, None] * at).T])
    return _Risks((1 - left).sum(axis=0) / bleeds, Gradients(gradient / bleeds, by_baseline / bleeds))


def _limits(risk: float, sd: float) -> tuple[float, float]:
    """95%, on the scale log(−log(1 − risk)), so that they stay within 0 and 1."""
    risk = min(max(risk, 1e-9), 1 - 1e-9)
    hazard = -np.log1p(-risk)
    away = np.exp(np.minimum(Z95 * sd / ((1 - risk) * hazard), 50.0))
    return float(-np.expm1(-hazard / away)), float(-np.expm1(-hazard * away))
