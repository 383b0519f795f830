"""Trapped air shown by the stand readings, as one score per bleed, and how much of each step's effect it mediates."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.stats import normal_tail, sum_within_clusters
from analysis.steps.design_matrix import EFFECT_RIDGE, Design
from analysis.steps.marginal_effects import time_and_event
from analysis.survival import Block, SurvivalModel

FloatArray = NDArray[np.float64]
LOW_QUANTILE = 0.1
MIN_RECORDED = 20
LOG_OFFSET = 0.3
"""Added to the air relative to its mean, so that a bleed with no sign of air has a finite logarithm."""
POOLED_RIDGE, OTHER_RIDGE = 1.0, 1e-2
"""Ridge of the linear regression of the score: technicians and brake models, and all other columns."""


def air_score(bleeds: pl.DataFrame, excluded: tuple[str, ...] = ()) -> FloatArray | None:
    """Log of the air shown by the stand readings, standardised (n); None where no reading is recorded or all are alike.

    Lever travel above the brake model's 10% quantile, bubbles in the first pass and pump-up all grow with trapped air
    (`analysis.physics`). Each is divided by its standard deviation and a bleed's recorded ones are averaged. The
    logarithm is taken because steps change the air by a factor. A bleed with no reading gets the mean.

    Parameters
    ----------
    bleeds
        All accepted bleeds.
    excluded
        Readings left out: `travel`, `bubbles`, `pump_gain`.
    """
    signs = {
        "travel": np.maximum(_travel_above_low(bleeds), 0),
        "pump_gain": np.maximum(_floats(bleeds, "pump_gain_mm"), 0),
    }
    informative = [sign for name, sign in signs.items() if name not in excluded and _varies(sign)]
    if not informative:
        return None
    scaled = np.column_stack([sign / np.nanstd(sign) for sign in informative])
    recorded = np.isfinite(scaled)
    air = np.where(recorded, scaled, 0.0).sum(axis=1) / np.maximum(recorded.sum(axis=1), 1)
    has_reading = recorded.any(axis=1)
    score = np.log(air / air[has_reading].mean() + LOG_OFFSET)
    score -= score[has_reading].mean()
    return np.where(has_reading, score / score[has_reading].std(), 0.0)


def _varies(sign: FloatArray) -> bool:
    return bool(np.isfinite(sign).sum() >= MIN_RECORDED and np.nanstd(sign) > 1e-9)


def _travel_above_low(bleeds: pl.DataFrame) -> FloatArray:
    low = bleeds.select(
        pl.col("lever_travel_after_mm").quantile(LOW_QUANTILE, "linear").over(pl.col("brake_model").fill_null(""))
    ).to_series()
    return _floats(bleeds, "lever_travel_after_mm") - low.fill_null(float("nan")).to_numpy()


def _floats(bleeds: pl.DataFrame, name: str) -> FloatArray:
    return bleeds.get_column(name).cast(pl.Float64).fill_null(float("nan")).to_numpy().copy()


@dataclass(frozen=True)
class MediatorEvidence:
    """Effects of steps on the log hazard through the air score: steps, then the not-recorded columns.

    `delta` is the effect of the score in the return model times the regression of the score on the design; `influence`
    is each bike's influence on it (bikes × columns), with the error of both factors; `applies` is false for steps whose
    harm the readings cannot show; `p_value` is one-sided, for worse readings predicting returns.
    """

    delta: FloatArray
    influence: FloatArray = field(repr=False)
    applies: NDArray[np.bool_]
    p_value: float


def mediator_evidence(data: BleedData, design: Design, return_model: SurvivalModel) -> MediatorEvidence | None:
    """Evidence of the stand readings on each step; None where no reading is recorded.

    The readings are no evidence on leaks. A step that changes a reading without leaving air (a wider lever reach
    lengthens the travel) is judged by the other readings, if there are any.

    Parameters
    ----------
    data
        Bleeds to fit.
    design
        Their design matrix.
    return_model
        Return model of the design over the whole follow-up, which gives starting values.
    """
    score = air_score(data.bleeds)
    if score is None:
        return None
    inverse_gram = np.asarray(np.linalg.inv(design.x.T @ design.x + np.diag(_ridges(design))), dtype=float)
    base = _MediatorBase(data, design, return_model, inverse_gram)
    columns = np.array([*range(design.step_count), *design.unrecorded_columns])
    whole = _mediated_effects(base, score, columns)
    delta, influence = whole.delta, whole.influence
    steps = {step.id: step for step in data.standard.steps}
    column_steps = [steps[design.steps[index]] for index in (*range(design.step_count), *design.unrecorded_steps)]
    applies = np.array([step.acts == "air" for step in column_steps])
    for excluded in {step.acts_on for step in column_steps if step.acts_on}:
        affected = np.array([step.acts_on == excluded for step in column_steps])
        remaining = air_score(data.bleeds, excluded)
        if remaining is None:
            applies &= ~affected
            continue
        partial = _mediated_effects(base, remaining, columns[affected])
        delta[affected], influence[:, affected] = partial.delta, partial.influence
    return MediatorEvidence(delta, influence, applies, whole.p_value)


@dataclass(frozen=True)
class _MediatorBase:
    """Data and fits shared by all scores; `inverse_gram` is (XᵀX + ridge)⁻¹."""

    data: BleedData
    design: Design
    return_model: SurvivalModel
    inverse_gram: FloatArray


@dataclass(frozen=True)
class _MediatedEffects:
    delta: FloatArray
    influence: FloatArray
    p_value: float


def _mediated_effects(base: _MediatorBase, score: FloatArray, columns: NDArray[np.int64]) -> _MediatedEffects:
    """Effect of the score on returns given the design, times the regression of the score on the given columns."""
    design, return_model = base.design, base.return_model
    width = design.x.shape[1]
    time, event = time_and_event(base.data.bleeds)
    model = return_model.fit(
        np.column_stack([design.x, score]),
        time,
        event,
        blocks=[*design.blocks, Block(width, width + 1, EFFECT_RIDGE)],
        clusters=design.bike,
        start=np.append(return_model.coefficients, 0.0),
    )
    slope = float(model.coefficients[width])
    slope_influence = model.influence(np.eye(width + 1)[:, width:])
    regression = base.inverse_gram @ (design.x.T @ score)
    residual = score - design.x @ regression
    influence = slope * sum_within_clusters(design.x @ base.inverse_gram[:, columns], design.bike, residual)
    influence += slope_influence * regression[columns]
    sd = float(np.sqrt((slope_influence**2).sum()))
    p = float(normal_tail(slope / sd)) if sd > 1e-9 else 1.0  # sd is 0 if all bleeds came back on one day
    return _MediatedEffects(slope * regression[columns], influence, p)


def _ridges(design: Design) -> FloatArray:
    ridges = np.full(design.x.shape[1], OTHER_RIDGE)
    for block in design.blocks:
        if block.pooled:
            ridges[block.start : block.stop] = POOLED_RIDGE
    return ridges
