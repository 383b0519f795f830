"""The stand's evidence: how much of each step's effect passes through what the lever tells on the stand."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.followup import Block, ReturnModel, beginning_beside, by_cluster, fit_returns
from analysis.prepared import Prepared
from analysis.regression import Floats, Joined, crossed, gathered, product, products, squared
from analysis.stats import normal_tail
from analysis.steps.design import FREE, Design
from analysis.steps.signs import air_seen

Numbers = NDArray[np.float64]
PEOPLE_RIDGE, OTHER_RIDGE = 1.0, 1e-2


@dataclass(frozen=True)
class Stand:
    """What the signs say of each step, on the scale of the log hazard: steps, then the not-recorded columns.

    `delta` is the regression of the signs' part of the return model on the design; `rows` each bike's influence on it,
    the signs' own error included; `speaks` whether the stand has a say in the step at all; `p_value` tells whether worse
    signs foretell returns (one-sided).
    """

    delta: Numbers
    rows: Floats = field(repr=False)
    speaks: NDArray[np.bool_]
    p_value: float


def stand_evidence(prepared: Prepared, design: Design, by_return: ReturnModel) -> Stand | None:
    """The signs' evidence; None where no sign of air is recorded.

    The stand has no say in steps that work past the signs (leaks). A step that alters a sign by itself (a reach set
    further out reads longer without any air) is judged by the signs it does not alter, if there are any.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    design
        Its design.
    by_return
        The design's model by return over the whole follow-up, near which the search begins.
    """
    score = air_seen(prepared.bleeds)
    if score is None:
        return None
    ground = _Ground(design, by_return, np.linalg.inv(squared(design.x) + np.diag(_ridges(design))))
    every = np.array([*range(design.size), *design.unrecorded_columns])
    whole = _evidence(ground, score, every)
    delta, rows = whole.delta, whole.rows
    steps = {step.id: step for step in prepared.standard.steps}
    mine = [steps[design.steps[place]] for place in (*range(design.size), *design.unrecorded_steps)]
    speaks = np.array([step.acts == "air" for step in mine])
    for altered in {step.alters for step in mine if step.alters}:
        own = np.array([step.alters == altered for step in mine])
        left = air_seen(prepared.bleeds, altered)
        if left is None:
            speaks &= ~own
            continue
        apart = _evidence(ground, left, every[own])
        delta[own], rows[:, own] = apart.delta, apart.rows
    return Stand(delta, rows, speaks, whole.p_value)


@dataclass(frozen=True)
class _Ground:
    """What every score is regressed on: the design, its model by return, the inverse of its cross products."""

    design: Design
    by_return: ReturnModel
    inverse: Floats


@dataclass(frozen=True)
class _Evidence:
    """Of one score: what it says of some columns, each bike's influence on that, and whether it foretells returns."""

    delta: Numbers
    rows: Floats
    p_value: float


def _evidence(ground: _Ground, score: Numbers, kept: NDArray[np.int64]) -> _Evidence:
    """How far the score foretells returns beside the design, times the regression of the score on the columns kept."""
    design, by_return = ground.design, ground.by_return
    width = design.x.shape[1]
    x = Joined(design.x, beside=score[:, None].astype(design.x.dtype))
    blocks = [*design.blocks, Block(width, width + 1, FREE)]
    model = fit_returns(x, by_return.follow, blocks, began=beginning_beside(by_return, x))
    foretells = float(model.coefficients[width])
    foretells_rows = by_cluster(x, model, np.eye(width + 1)[:, width:], design.bike)
    every = ground.inverse @ crossed(design.x, score)
    kind = design.x.dtype
    residual = (score - product(design.x, every)).astype(kind)
    parts = ((part, own * residual[part, None]) for part, own in products(design.x, ground.inverse[:, kept]))
    rows = gathered(parts, design.bike, len(kept), kind)
    rows *= foretells
    for place, own in enumerate(every[kept]):
        rows[:, place] += foretells_rows[:, 0] * own
    sd = float(np.sqrt((foretells_rows**2).sum(dtype=float)))
    p = float(normal_tail(foretells / sd)) if sd > 1e-9 else 1.0  # where all come back at once nothing can be foretold
    return _Evidence(foretells * every[kept], rows, p)


def _ridges(design: Design) -> Numbers:
    ridges = np.full(design.x.shape[1], OTHER_RIDGE)
    for block in design.blocks:
        if block.pooled:
            ridges[block.start : block.stop] = PEOPLE_RIDGE
    return ridges
