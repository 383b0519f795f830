"""Where the tolerance should be: the adjusted risk along a reading (dose-response), against the standard's limits."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.followup import Block, SurvivalModel
from analysis.prepared import Prepared
from analysis.standard import Step
from analysis.stats import Z95
from analysis.steps.by_return import Gradients, clustered_influence, expected_exposure, return_model, time_and_event
from analysis.steps.design import FREE, Design
from analysis.steps.spline import Curve, curve_of
from schemas import checked, empty
from schemas.outputs import Tolerance

Numbers = NDArray[np.float64]
LEAST_RECORDED = 50


@dataclass(frozen=True)
class _Reading:
    step: Step
    values: Numbers = field(repr=False)
    curve: Curve = field(repr=False)


@dataclass(frozen=True)
class DoseResponseBase:
    """What every curve is fitted on: the bleeds, their design, and the model of the steps."""

    prepared: Prepared
    design: Design
    by_step: SurvivalModel = field(repr=False)


def dose_response_base(
    prepared: Prepared, design: Design | None, by_return: SurvivalModel | None = None
) -> DoseResponseBase | None:
    """What the curves are fitted on; None where there is no design.

    Parameters
    ----------
    prepared
        The bleeds to learn from.
    design
        The design of the ranked steps; None with too few comebacks.
    by_return
        The model of the steps over the whole follow-up; fitted here unless given.
    """
    if design is None:
        return None
    return DoseResponseBase(prepared, design, return_model(prepared, design) if by_return is None else by_return)


def tolerance_curves(base: DoseResponseBase | None) -> DataFrame[Tolerance]:
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
    return checked(Tolerance, pl.concat([empty(Tolerance), *curves]).sort("step", "reading"))


def _readings(base: DoseResponseBase) -> list[_Reading]:
    """Measured fields with limits of their own, of steps in the design, recorded often enough and varying."""
    prepared, design, found = base.prepared, base.design, []
    for step in prepared.standard.steps:
        column = prepared.bleeds.get_column(step.field)
        limited = step.limits.lo is not None or step.limits.hi is not None
        if step.id not in design.steps or not limited or not column.dtype.is_numeric():
            continue
        values = column.cast(pl.Float64).fill_null(float("nan")).to_numpy()
        known = values[np.isfinite(values)]
        if len(known) >= LEAST_RECORDED and len(np.unique(known)) >= 2:
            found.append(_Reading(step, values, curve_of(known)))
    return found


def _curve(base: DoseResponseBase, one: _Reading) -> pl.DataFrame:
    prepared, design = base.prepared, base.design
    known = np.isfinite(one.values)
    basis = np.zeros((len(one.values), one.curve.width))
    basis[known] = one.curve.basis(one.values[known])
    centre = basis.mean(axis=0)
    step = design.steps.index(one.step.id)
    others = np.delete(np.arange(design.x.shape[1]), step)
    x, size = np.hstack([design.x[:, :step], design.x[:, step + 1 :], basis - centre]), len(others)
    model = base.by_step.fit(
        x,
        *time_and_event(prepared.bleeds),
        blocks=[*design.blocks_of(others.tolist()), Block(size, x.shape[1], FREE)],
        clusters=design.bike,
        start=np.append(base.by_step.coefficients[others], np.zeros(one.curve.width)),
    )
    at = one.curve.basis(one.curve.grid) - centre
    effects = model.coefficients[size:]
    rest = expected_exposure(prepared, model) * np.exp(x[:, :size] @ model.coefficients[:size])
    risks = _risks(x, np.where(known, rest, 0.0), at, np.exp(at @ effects), int(known.sum()))
    rows = clustered_influence(model, risks.gradients, prepared.window_days)
    sd = np.sqrt((rows**2).sum(axis=0)) * model.df_correction
    limits = np.array([_limits(risk, error) for risk, error in zip(risks.mean, sd, strict=True)])
    return pl.DataFrame(
        {
            "step": one.step.id,
            "field": one.step.field,
            "reading": one.curve.grid,
            "bleeds": one.curve.near(one.values[known]),
            "risk": risks.mean,
            "lo": limits[:, 0],
            "hi": limits[:, 1],
            "tolerance_lo": one.step.limits.lo,
            "tolerance_hi": one.step.limits.hi,
        },
        schema_overrides={"tolerance_lo": pl.Float64, "tolerance_hi": pl.Float64},
    ).select(empty(Tolerance).columns)


@dataclass(frozen=True)
class _Risks:
    """The mean risk at each reading, and its gradients."""

    mean: Numbers
    gradients: Gradients


def _risks(x: Numbers, rest: Numbers, at: Numbers, ratios: Numbers, bleeds: int) -> _Risks:
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
