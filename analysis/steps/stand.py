"""The stand's evidence: how much of each step's effect passes through what the lever tells on the stand."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.followup import (
    Block,
    Follow,
    Joined,
    by_cluster,
    crossed,
    fit_returns,
    follow_of,
    gathered,
    parts_of,
    product,
    squared,
)
from analysis.prepared import Prepared
from analysis.steps.design import Design

Numbers = NDArray[np.float64]
SIGN_RIDGE, HELD_AT_NOUGHT = 2.0, 1e7
PEOPLE_RIDGE, OTHER_RIDGE = 1.0, 1e-2
LOW_QUANTILE = 0.1


@dataclass(frozen=True)
class Stand:
    """What the signs say of each step, on the scale of the log hazard.

    `delta` is the regression of the signs' part of the return model on the steps (then the not-recorded columns);
    `rows` each bike's influence on it, the signs' own error included; `p_value` tells whether worse signs foretell
    returns at all (one-sided score test).
    """

    delta: Numbers
    rows: Numbers = field(repr=False)
    p_value: float


def stand_evidence(prepared: Prepared, design: Design, began: Numbers) -> Stand | None:
    """The signs' evidence; None where no sign is recorded.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    design
        Its design.
    began
        The design's coefficients by return, near which the search begins.
    """
    signs = sign_columns(prepared, design)
    if signs.shape[1] == 0:
        return None
    bleeds = prepared.bleeds
    follow = follow_of(bleeds.get_column("days_at_risk").to_numpy(), (bleeds.get_column("end") == "return").to_numpy())
    width = design.x.shape[1]
    x = Joined(design.x, beside=signs)
    began = np.concatenate([began, np.zeros(signs.shape[1])])
    model = fit_returns(x, follow, [*design.blocks, Block(width, x.shape[1], SIGN_RIDGE)], began=began)
    gamma = model.coefficients[width:]
    told = signs @ gamma
    inverse = np.linalg.inv(squared(design.x, np.ones(len(x))) + np.diag(_ridges(design)))
    every = inverse @ crossed(design.x, told)
    kept = [*range(design.size), *design.unrecorded_columns]
    residual = told - product(design.x, every)
    along = np.vstack([np.zeros((width, len(kept))), (inverse @ crossed(design.x, signs))[kept].T])
    by_gamma = by_cluster(x, model, along, design.bike)
    parts = ((part, product(design.x[part], inverse[:, kept]) * residual[part, None]) for part in parts_of(len(x)))
    rows = gathered(parts, design.bike, len(kept)) + by_gamma
    return Stand(every[kept], rows, _foretold(x, width, design, follow, began))


def sign_columns(prepared: Prepared, design: Design) -> Numbers:
    """The signs as standardised columns; what was not recorded stands at their mean.

    Travel counts beyond the model's own low quantile. A sign that decides a step (bubbles in the last cycle) is centred
    among the bleeds that missed the step and 0 elsewhere, so that it cannot speak of that step. Bench minutes are no
    evidence.
    """
    bleeds = prepared.bleeds
    columns = []
    travel = _beyond_low(bleeds)
    columns += [travel, np.maximum(travel, 0) ** 2, np.log1p(np.maximum(travel, 0))]
    first = _floats(bleeds, "bubbles_first")
    columns += [np.sqrt(first), np.log1p(first)]
    columns += [_floats(bleeds, "pump_gain_mm"), 1 - _floats(bleeds, "hard_pull_firm"), _floats(bleeds, "leak_seen")]
    columns += [_last_bubbles(prepared, design)]
    kept = [c for c in columns if np.isfinite(c).sum() >= 20 and np.nanstd(c) > 1e-9]
    return np.column_stack([_standardised(c) for c in kept]) if kept else np.zeros((len(bleeds), 0))


def _foretold(x: Joined, width: int, design: Design, follow: Follow, began: Numbers) -> float:
    """One-sided p that worse signs foretell returns: the signs' standardised scores, summed, one degree of freedom.

    The scores are taken where the signs' effects are nought (a ridge holds them there), with the design fitted and their
    sandwich covariance. All signs grow as a bleed gets worse, so their sum has the power that a test with a degree of
    freedom for each would scatter over directions no mechanic believes in. Source of the idea: P. C. O'Brien 1984,
    Biometrics 40:1079-1087 (ordinary least squares statistic for several endpoints).
    """
    from scipy import stats

    held = fit_returns(x, follow, [*design.blocks, Block(width, x.shape[1], HELD_AT_NOUGHT)], began=began)
    score = held.coefficients[width:] * HELD_AT_NOUGHT
    rows = by_cluster(x, held, np.eye(x.shape[1])[:, width:], design.bike) * HELD_AT_NOUGHT
    covariance = rows.T @ rows
    scale = 1 / np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    return float(stats.norm.sf(scale @ score / np.sqrt(scale @ covariance @ scale)))


def _beyond_low(bleeds: pl.DataFrame) -> Numbers:
    low = bleeds.select(
        pl.col("lever_travel_after_mm").quantile(LOW_QUANTILE, "linear").over(pl.col("brake_model").fill_null(""))
    ).to_series()
    return _floats(bleeds, "lever_travel_after_mm") - low.fill_null(float("nan")).to_numpy()


def _last_bubbles(prepared: Prepared, design: Design) -> Numbers:
    last = np.log1p(_floats(prepared.bleeds, "bubbles_last"))
    deciding = [step.id for step in prepared.standard.steps if step.field == "bubbles_last" and step.id in design.steps]
    for step in deciding:
        missed = design.missed[:, design.steps.index(step)] > 0
        centre = np.nanmean(last[missed]) if np.isfinite(last[missed]).any() else 0.0
        last = np.where(missed, last - centre, 0.0)
    return last


def _standardised(column: Numbers) -> Numbers:
    centred = column - np.nanmean(column)
    return np.nan_to_num(centred / np.nanstd(column))


def _ridges(design: Design) -> Numbers:
    ridges = np.full(design.x.shape[1], OTHER_RIDGE)
    for block in design.blocks:
        if block.pooled:
            ridges[block.start : block.stop] = PEOPLE_RIDGE
    return ridges


def _floats(bleeds: pl.DataFrame, name: str) -> Numbers:
    return bleeds.get_column(name).cast(pl.Float64).fill_null(float("nan")).to_numpy().copy()
