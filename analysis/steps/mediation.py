"""The stand's evidence: how much of each step's effect passes through what the lever shows on the stand (mediation)."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.stats import normal_tail, sum_within_clusters
from analysis.steps.air_score import air_score
from analysis.steps.design_matrix import FREE, Design
from analysis.steps.marginal_effects import time_and_event
from analysis.survival import Block, SurvivalModel

FloatArray = NDArray[np.float64]
PEOPLE_RIDGE, OTHER_RIDGE = 1.0, 1e-2


@dataclass(frozen=True)
class MediatorEvidence:
    """What the signs say of each step, on the scale of the log hazard: steps, then the not-recorded columns.

    `delta` is the regression of the signs' part of the return model on the design; `influence` each bike's influence on it,
    the signs' own error included; `applies` whether the signs are evidence on the step at all; `p_value` tests whether
    worse signs predict returns (one-sided).
    """

    delta: FloatArray
    influence: FloatArray = field(repr=False)
    applies: NDArray[np.bool_]
    p_value: float


def mediator_evidence(data: BleedData, design: Design, cox_model: SurvivalModel) -> MediatorEvidence | None:
    """The signs' evidence; None where no sign of air is recorded.

    Signs are no evidence on steps that work past them (leaks). A step that alters a sign by itself (a reach set further
    out reads longer without any air) is judged by the signs it does not alter, if there are any.

    Parameters
    ----------
    prepared
        The bleeds to learn from.
    design
        Their design.
    cox_model
        The design's model by return over the whole follow-up, at which the search starts.
    """
    score = air_score(data.bleeds)
    if score is None:
        return None
    inverse = np.asarray(np.linalg.inv(design.x.T @ design.x + np.diag(_ridges(design))), dtype=float)
    base = _MediatorBase(data, design, cox_model, inverse)
    every = np.array([*range(design.size), *design.unrecorded_columns])
    whole = _evidence(base, score, every)
    delta, rows = whole.delta, whole.influence
    steps = {step.id: step for step in data.standard.steps}
    own_steps = [steps[design.steps[place]] for place in (*range(design.size), *design.unrecorded_steps)]
    applies = np.array([step.acts == "air" for step in own_steps])
    for altered in {step.acts_on for step in own_steps if step.acts_on}:
        own = np.array([step.acts_on == altered for step in own_steps])
        remaining = air_score(data.bleeds, altered)
        if remaining is None:
            applies &= ~own
            continue
        apart = _evidence(base, remaining, every[own])
        delta[own], rows[:, own] = apart.delta, apart.influence
    return MediatorEvidence(delta, rows, applies, whole.p_value)


@dataclass(frozen=True)
class _MediatorBase:
    """What every score is regressed on: the bleeds, their design, its model by return, the inverse of its cross products."""

    prepared: BleedData
    design: Design
    by_return: SurvivalModel
    inverse: FloatArray


@dataclass(frozen=True)
class _Evidence:
    """Of one score: what it says of some columns, each bike's influence on that, and whether it predicts returns."""

    delta: FloatArray
    influence: FloatArray
    p_value: float


def _evidence(base: _MediatorBase, score: FloatArray, columns: NDArray[np.int64]) -> _Evidence:
    """How far the score predicts returns given the design, times the regression of the score on the columns kept."""
    design, by_return = base.design, base.by_return
    width = design.x.shape[1]
    time, event = time_and_event(base.prepared.bleeds)
    model = by_return.fit(
        np.column_stack([design.x, score]),
        time,
        event,
        blocks=[*design.blocks, Block(width, width + 1, FREE)],
        clusters=design.bike,
        start=np.append(by_return.coefficients, 0.0),
    )
    slope = float(model.coefficients[width])
    slope_rows = model.influence(np.eye(width + 1)[:, width:])
    regression = base.inverse @ (design.x.T @ score)
    residual = score - design.x @ regression
    rows = slope * sum_within_clusters(design.x @ base.inverse[:, columns], design.bike, residual)
    rows += slope_rows * regression[columns]
    sd = float(np.sqrt((slope_rows**2).sum()))
    p = float(normal_tail(slope / sd)) if sd > 1e-9 else 1.0  # where all come back at once nothing can be predicted
    return _Evidence(slope * regression[columns], rows, p)


def _ridges(design: Design) -> FloatArray:
    ridges = np.full(design.x.shape[1], OTHER_RIDGE)
    for block in design.blocks:
        if block.pooled:
            ridges[block.start : block.stop] = PEOPLE_RIDGE
    return ridges
