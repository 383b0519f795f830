"""Where the tolerance lies: the adjusted risk along a reading, against the limits of the standard."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.followup import (
    Block,
    ReturnModel,
    beginning_beside,
    beginning_near,
    by_cluster,
    fit_returns,
    follow_of,
)
from analysis.prepared import Prepared
from analysis.regression import Joined, crossed_parts, parts_of
from analysis.standard import Step
from analysis.stats import Z95
from analysis.steps.by_return import course_of, exposure_of, level_of, widening
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


@dataclass(frozen=True)
class Ground:
    """What every curve stands on: the bleeds, their design, and the model of the steps fitted on them."""

    prepared: Prepared
    design: Design
    by_step: ReturnModel = field(repr=False)


def ground_of(
    prepared: Prepared, design: Design | None, rng: np.random.Generator, by_return: ReturnModel | None = None
) -> Ground | None:
    """The ground of the curves of some bleeds.

    Parameters
    ----------
    prepared
        All accepted bleeds; at most 100,000 are drawn by lot.
    design
        The design of the ranked steps, n × p; None with too few comebacks.
    rng
        For the lot.
    by_return
        The model of the steps over the whole follow-up, if it is there: of all bleeds it is taken, of some a search
        begins at it.

    Returns
    -------
    Ground | None
        None where there is no design.
    """
    if design is None:
        return None
    if len(design.x) <= LARGEST and by_return is not None:
        return Ground(prepared, design, by_return)
    if len(design.x) > LARGEST:
        prepared, design = _some(prepared, design, rng)
    follow = follow_of(*course_of(prepared.bleeds))
    began = None if by_return is None else beginning_near(by_return, int(follow.returned.sum()))
    return Ground(prepared, design, fit_returns(design.x, follow, list(design.blocks), began=began))


def tolerance_curves(ground: Ground | None) -> DataFrame[Tolerance]:
    """The adjusted risk along each measured field that decides a step.

    Estimand: the mean risk within the window and before the brake's next bleed, over the bleeds where the reading was
    recorded, had each of them shown this reading; everything else as it was. A smooth curve of the reading (one level a
    value where there are few) takes the step's place in the time-to-return model. Intervals: infinitesimal jackknife,
    clustered by bike, on the log of the cumulative hazard.

    Parameters
    ----------
    ground
        `ground_of` the bleeds; without one the table is empty.

    Source of the basis: F. E. Harrell 2015, Regression Modeling Strategies, 2nd ed., sect. 2.4.5 (restricted cubic).
    """
    curves = [] if ground is None else [_curve(ground, one) for one in _readings(ground)]
    return checked(Tolerance, pl.concat([empty(Tolerance), *curves]).sort("step", "reading"))


def _some(prepared: Prepared, design: Design, rng: np.random.Generator) -> tuple[Prepared, Design]:
    rows = np.sort(rng.choice(len(design.x), LARGEST, replace=False))
    x = design.x[rows]
    some = replace(
        design,
        x=x - x.mean(axis=0),
        missed=design.missed[rows],
        unrecorded=design.unrecorded[rows],
        bike=np.unique(design.bike[rows], return_inverse=True)[1],
    )
    return replace(prepared, bleeds=prepared.bleeds[rows], missed=checked(MissedSteps, prepared.missed[rows])), some


def _readings(ground: Ground) -> list[_Reading]:
    """Measured fields with limits of their own, of steps in the design, recorded often enough and varying."""
    prepared, design, found = ground.prepared, ground.design, []
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


def _curve(ground: Ground, one: _Reading) -> pl.DataFrame:
    prepared, design, by_step = ground.prepared, ground.design, ground.by_step
    known = np.isfinite(one.values)
    basis = np.zeros((len(one.values), one.curve.width))
    basis[known] = one.curve.basis(one.values[known])
    centre = basis.mean(axis=0)
    place = design.steps.index(one.step.id)
    others = [i for i in range(design.x.shape[1]) if i != place]
    x = Joined(design.x, tuple(others), basis - centre)
    size = len(others)
    blocks = [*design.blocks_of(others), Block(size, x.shape[1], FREE)]
    model = fit_returns(x, by_step.follow, blocks, began=beginning_beside(by_step, x))
    at = one.curve.basis(one.curve.grid) - centre
    own = (basis - centre) @ model.coefficients[size:]
    base = np.where(known, exposure_of(prepared, model) * np.exp(model.linear - own), 0.0)
    risks = _risks(x, base, at, np.exp(at @ model.coefficients[size:]), int(known.sum()))
    level = level_of(model, prepared.window_days)
    moved = by_cluster(x, model, np.column_stack([risks.gradient, level.along]), design.bike)
    hazard = (np.bincount(design.bike, level.direct) - moved[:, -1]) / level.total
    moved = moved[:, :-1] + hazard[:, None] * risks.by_hazard
    sd = np.sqrt((moved**2).sum(axis=0)) * widening(model)
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
    """The mean risk at each reading, its gradient in the coefficients and in the log of the baseline."""

    mean: Numbers
    gradient: Numbers
    by_hazard: Numbers


def _risks(x: Joined, base: Numbers, at: Numbers, times: Numbers, known: int) -> _Risks:
    """Over the known bleeds, `base` their mass but for the reading (0 elsewhere), `at` the readings' columns."""
    size = x.shape[1] - at.shape[1]
    mean, by_hazard, gradient = np.zeros(len(at)), np.zeros(len(at)), np.zeros((x.shape[1], len(at)))

    def slopes() -> Iterator[tuple[slice, Numbers]]:
        for part in parts_of(len(x)):
            mass = base[part, None] * times
            slope = mass * np.exp(-mass)
            mean[:] -= np.expm1(-mass).sum(axis=0)
            by_hazard[:] += slope.sum(axis=0)
            yield part, slope

    gradient[:size] = crossed_parts(x.base, slopes())[x.own]
    gradient[size:] = (by_hazard[:, None] * at).T
    return _Risks(mean / known, gradient / known, by_hazard / known)


def _limits(risk: float, sd: float) -> tuple[float, float]:
    """95%, on the scale log(−log(1 − risk)), so that they stay within 0 and 1."""
    risk = min(max(risk, 1e-9), 1 - 1e-9)
    hazard = -np.log1p(-risk)
    away = np.exp(np.minimum(Z95 * sd / ((1 - risk) * hazard), 50.0))
    return float(-np.expm1(-hazard / away)), float(-np.expm1(-hazard * away))
