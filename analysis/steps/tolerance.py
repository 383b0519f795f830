"""Where the tolerance lies: the adjusted risk along a reading, against the limits of the standard."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.followup import Block, clustered, fit_returns, follow_of, influence
from analysis.prepared import Prepared
from analysis.standard import Step
from analysis.steps.by_return import course_of, exposure_of, log_hazard_influence, widening
from analysis.steps.design import FREE, Design
from analysis.steps.spline import Curve, curve_of
from schemas import checked, empty
from schemas.between import MissedSteps
from schemas.outputs import Tolerance

Numbers = NDArray[np.float64]
LARGEST = 100_000
LEAST_RECORDED = 50


@dataclass(frozen=True)
class _Reading:
    step: Step
    values: Numbers = field(repr=False)
    curve: Curve = field(repr=False)


def tolerance_curves(prepared: Prepared, design: Design | None, rng: np.random.Generator) -> DataFrame[Tolerance]:
    """The adjusted risk along each measured field that decides a step.

    Estimand: the mean risk within the window and before the brake's next bleed, over the bleeds where the reading was
    recorded, had each of them shown this reading; everything else as it was. A smooth curve of the reading (one level a
    value where there are few) takes the step's place in the time-to-return model. Intervals: infinitesimal jackknife,
    clustered by bike, on the log of the cumulative hazard.

    Parameters
    ----------
    prepared
        All accepted bleeds; at most 100,000 are drawn by lot.
    design
        The design of the ranked steps; None with too few comebacks, when the table is empty.
    rng
        For the lot.

    Source of the basis: F. E. Harrell 2015, Regression Modeling Strategies, 2nd ed., sect. 2.4.5 (restricted cubic).
    """
    if design is None:
        return empty(Tolerance)
    if len(design.x) > LARGEST:
        prepared, design = _some(prepared, design, rng)
    tables = [_curve(prepared, design, one) for one in _readings(prepared, design)]
    if not tables:
        return empty(Tolerance)
    table = pl.concat(tables).select(empty(Tolerance).columns)
    return checked(Tolerance, table.sort("step", "reading"))


def _some(prepared: Prepared, design: Design, rng: np.random.Generator) -> tuple[Prepared, Design]:
    rows = np.sort(rng.choice(len(design.x), LARGEST, replace=False))
    x = design.x[rows]
    some = replace(
        design,
        x=x - x.mean(axis=0),
        missed=design.missed[rows],
        unrecorded=design.unrecorded[rows],
        bike=design.bike[rows],
    )
    return replace(prepared, bleeds=prepared.bleeds[rows], missed=checked(MissedSteps, prepared.missed[rows])), some


def _readings(prepared: Prepared, design: Design) -> list[_Reading]:
    """Measured fields with limits of their own, of steps in the design, recorded often enough and varying."""
    found = []
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


def _curve(prepared: Prepared, design: Design, one: _Reading) -> pl.DataFrame:
    known = np.isfinite(one.values)
    basis = np.zeros((len(one.values), one.curve.width))
    basis[known] = one.curve.basis(one.values[known])
    centre = basis.mean(axis=0)
    place = design.steps.index(one.step.id)
    others = [i for i in range(design.x.shape[1]) if i != place]
    x = np.hstack([design.x[:, others], basis - centre])
    size = len(others)
    blocks = [*design.blocks_of(others), Block(size, x.shape[1], FREE)]
    days, returned = course_of(prepared.bleeds)
    model = fit_returns(x, follow_of(days, returned), blocks)
    rows = influence(x, model)
    hazard_rows = log_hazard_influence(model, rows, prepared.window_days)
    exposure = exposure_of(prepared, model)[known]
    wide = widening(model)
    at = one.curve.basis(one.curve.grid)
    base = exposure * np.exp(model.linear[known] - (basis[known] - centre) @ model.coefficients[size:])
    risks, limits = np.zeros(len(at)), np.zeros((len(at), 2))
    for k, here in enumerate(at - centre):
        mass = base * np.exp(here @ model.coefficients[size:])
        risks[k] = float(-np.expm1(-mass).mean())
        slope = mass * np.exp(-mass) / len(mass)
        gradient = np.concatenate([slope @ x[known][:, :size], slope.sum() * here])
        moved = clustered((rows @ gradient + slope.sum() * hazard_rows)[:, None], design.bike)
        limits[k] = _limits(risks[k], float(np.sqrt((moved**2).sum())) * wide)
    return pl.DataFrame(
        {
            "step": one.step.id,
            "field": one.step.field,
            "reading": one.curve.grid,
            "bleeds": one.curve.near(one.values[known]),
            "risk": risks,
            "lo": limits[:, 0],
            "hi": limits[:, 1],
            "tolerance_lo": one.step.limits.lo,
            "tolerance_hi": one.step.limits.hi,
        },
        schema_overrides={"tolerance_lo": pl.Float64, "tolerance_hi": pl.Float64},
    )


def _limits(risk: float, sd: float) -> tuple[float, float]:
    """95%, on the scale log(−log(1 − risk)), so that they stay within 0 and 1."""
    risk = min(max(risk, 1e-9), 1 - 1e-9)
    hazard = -np.log1p(-risk)
    away = np.exp(np.minimum(1.96 * sd / ((1 - risk) * hazard), 50.0))
    return float(-np.expm1(-hazard / away)), float(-np.expm1(-hazard * away))
