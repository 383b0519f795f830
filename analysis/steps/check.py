"""Layer 3, the check: cross-fitted doubly robust estimates on mature bleeds alone.

Source: augmented inverse-probability weighting for the effect in the missed, J. M. Robins, A. Rotnitzky & L. P. Zhao 1994,
J. Am. Stat. Assoc. 89:846-866; cross-fitting, V. Chernozhukov et al. 2018, Econom. J. 21:C1-C68.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.followup import clustered
from analysis.prepared import Prepared
from analysis.regression import Floats, LeftOut, left_out_logistic, log_odds
from analysis.steps.design import Design

Numbers = NDArray[np.float64]
FOLDS = 5
MOST_LIKELY = 0.95
LARGEST = 200_000
SETTLED = 1e-7
"""Twice the log likelihood that a search's last step gains: a three-thousandth of a standard error."""
LEARNT_FROM = 5_000
"""Bleeds enough to learn a step's habit from: its error enters the estimate only as a product with the other model's."""


@dataclass(frozen=True)
class Check:
    """Spared per 100 mature bleeds, one a step, with standard errors clustered by bike; NaN where it cannot be told.

    `thin` is true where more than a tenth of the missed hardly ever meet the step on such work (no overlap).
    """

    spared: Numbers
    sd: Numbers
    thin: NDArray[np.bool_]


def doubly_robust(
    came_back: Numbers, missed: Floats, recorded: Floats, risk_if_met: Numbers, chance_missed: Numbers
) -> Numbers:
    """Each bleed's share of P(comeback) − P(comeback had the step been met); the mean is the estimate.

    Parameters
    ----------
    came_back, missed, recorded
        0 or 1 a bleed; a bleed not recorded contributes nothing.
    risk_if_met, chance_missed
        Out-of-fold predictions: risk had it been met, and chance of a miss on such work (below 1).
    """
    residual = came_back - risk_if_met
    odds = chance_missed / (1 - chance_missed)
    return recorded * (missed * residual - (1 - missed) * odds * residual)


def doubly_robust_check(prepared: Prepared, design: Design, rng: np.random.Generator) -> Check:
    """Layer 3 for every step of the design.

    Parameters
    ----------
    prepared, design
        All accepted bleeds and their design; at most 200,000 mature bleeds are drawn by lot.
    rng
        For the folds (whole bikes) and the lot.
    """
    rows = np.flatnonzero(prepared.bleeds.get_column("mature").to_numpy())
    if len(rows) > LARGEST:
        rows = np.sort(rng.choice(rows, LARGEST, replace=False))
    y = prepared.bleeds.get_column("came_back").to_numpy()[rows].astype(float)
    x, bike = design.x[rows].astype(np.float32), design.bike[rows]
    steps = design.size
    nothing = np.full(steps, np.nan)
    if y.sum() < 2 * FOLDS or (1 - y).sum() < 2 * FOLDS:
        return Check(nothing, nothing.copy(), np.zeros(steps, dtype=bool))
    fold = rng.integers(0, FOLDS, bike.max() + 1)[bike]
    missed, recorded = (one[rows].astype(x.dtype) for one in (design.missed, ~design.unrecorded))
    shares, unlike = np.empty(missed.shape), np.zeros(steps)
    for part, risk, chance in _predictions(x, y, missed, recorded, fold):
        likely = np.minimum(chance, MOST_LIKELY)
        shares[part] = 100 * doubly_robust(y[part, None], missed[part], recorded[part], risk, likely)
        unlike += (missed[part] * (chance > MOST_LIKELY)).sum(axis=0)
    spared = shares.mean(axis=0)
    sd = np.sqrt((clustered(shares - spared, bike) ** 2).sum(axis=0)) / len(rows)
    thin = unlike > 0.1 * np.maximum(missed.sum(axis=0), 1)
    untold = (missed.sum(axis=0) < 10) | ((recorded - missed).sum(axis=0) < 10)
    return Check(np.where(untold, np.nan, spared), np.where(untold, np.nan, sd), thin)


def _predictions(
    x: Floats, y: Numbers, missed: Floats, recorded: Floats, fold: NDArray[np.int64]
) -> Iterator[tuple[slice, Numbers, Numbers]]:
    """Out of fold, chunk after chunk: risk had each step been met, and chance of a miss given everything else."""
    from scipy import special

    inside = np.eye(FOLDS)[fold]
    outcome = left_out_logistic(x, inside, y[:, None] * inside, SETTLED)
    habits = [_habit(x, step, missed[:, step], recorded[:, step], inside) for step in range(missed.shape[1])]
    effects = outcome.coefficients[: missed.shape[1]].T
    for part, told in log_odds(x, [outcome, *habits], fold):
        risk = special.expit(told[:, :1] - effects[fold[part]] * missed[part])
        yield part, risk, special.expit(told[:, 1:])


def _habit(x: Floats, step: int, missed: Floats, recorded: Floats, inside: Numbers) -> LeftOut:
    """When the step is missed, given everything else."""
    known = _spread(np.flatnonzero(recorded > 0))
    own = x[known]
    own[:, step] = 0
    return left_out_logistic(own, inside[known], missed[known, None] * inside[known], SETTLED)


def _spread(rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """At most so many of the rows that as many as are enough are left without one fold, spread evenly over the log."""
    most = LEARNT_FROM * FOLDS // (FOLDS - 1)
    if len(rows) <= most:
        return rows
    return rows[np.linspace(0, len(rows) - 1, most).astype(np.intp)]
