"""The check: cross-fitted doubly robust estimates (AIPW) on mature bleeds alone.

Source: augmented inverse-probability weighting for the effect in the missed, J. M. Robins, A. Rotnitzky & L. P. Zhao 1994,
J. Am. Stat. Assoc. 89:846-866; cross-fitting, V. Chernozhukov et al. 2018, Econom. J. 21:C1-C68.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.stats import CrossFitted, clustered_covariance, cross_fitted_logistic, out_of_fold_log_odds
from analysis.steps.design_matrix import Design

FloatArray = NDArray[np.float64]
FOLDS = 5
MAX_LIKELY = 0.95
CONVERGED = 1e-7
"""What a search's last step gains in twice the log likelihood: a three-thousandth of a standard error."""
PROPENSITY_BLEEDS = 5_000
"""Bleeds that a propensity is learned from: its error enters the estimate only as a product with the other model's."""


@dataclass(frozen=True)
class AipwEstimate:
    """Comebacks prevented per 100 mature bleeds, one a step, with standard errors clustered by bike; NaN with too few.

    `no_overlap` is true where more than a tenth of the missed hardly ever meet the step on such work.
    """

    prevented: FloatArray
    sd: FloatArray
    no_overlap: NDArray[np.bool_]


def aipw_terms(
    came_back: FloatArray, missed: FloatArray, recorded: FloatArray, risk_if_met: FloatArray, chance_missed: FloatArray
) -> FloatArray:
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


def aipw_check(data: BleedData, design: Design, rng: np.random.Generator) -> AipwEstimate:
    """Estimate every step of the design from mature bleeds alone.

    Parameters
    ----------
    prepared, design
        The bleeds to learn from and their design.
    rng
        For the folds (whole bikes).
    """
    rows = np.flatnonzero(data.bleeds.get_column("mature").to_numpy())
    y = data.bleeds.get_column("came_back").to_numpy()[rows].astype(float)
    x, bike, steps = design.x[rows], design.bike[rows], design.size
    nothing = np.full(steps, np.nan)
    if y.sum() < 2 * FOLDS or (1 - y).sum() < 2 * FOLDS:
        return AipwEstimate(nothing, nothing.copy(), np.zeros(steps, dtype=bool))
    fold = rng.integers(0, FOLDS, bike.max() + 1)[bike]
    missed, recorded = (one[rows].astype(float) for one in (design.missed, ~design.unrecorded))
    risk, chance = _predictions(x, y, missed, recorded, fold)
    shares = 100 * aipw_terms(y[:, None], missed, recorded, risk, np.minimum(chance, MAX_LIKELY))
    prevented = shares.mean(axis=0)
    sd = np.sqrt(np.diag(clustered_covariance(shares - prevented, bike))) / len(rows)
    no_overlap = (missed * (chance > MAX_LIKELY)).sum(axis=0) > 0.1 * np.maximum(missed.sum(axis=0), 1)
    too_few = (missed.sum(axis=0) < 10) | ((recorded - missed).sum(axis=0) < 10)
    return AipwEstimate(np.where(too_few, np.nan, prevented), np.where(too_few, np.nan, sd), no_overlap)


def _predictions(
    x: FloatArray, y: FloatArray, missed: FloatArray, recorded: FloatArray, fold: NDArray[np.int64]
) -> tuple[FloatArray, FloatArray]:
    """Out of fold, n × steps each: risk had each step been met, and chance of a miss given everything else."""
    from scipy import special

    inside = np.eye(FOLDS)[fold]
    outcome = cross_fitted_logistic(x, inside, y[:, None] * inside, CONVERGED)
    propensities = [_propensity(x, step, missed[:, step], recorded[:, step], inside) for step in range(missed.shape[1])]
    log_odds = out_of_fold_log_odds(x, [outcome, *propensities], fold)
    effects = outcome.coefficients[: missed.shape[1]].T
    return special.expit(log_odds[:, :1] - effects[fold] * missed), special.expit(log_odds[:, 1:])


def _propensity(x: FloatArray, step: int, missed: FloatArray, recorded: FloatArray, inside: FloatArray) -> CrossFitted:
    """The chance that the step is missed, given everything else."""
    known = _evenly(np.flatnonzero(recorded > 0))
    own = x[known]
    own[:, step] = 0
    return cross_fitted_logistic(own, inside[known], missed[known, None] * inside[known], CONVERGED)


def _evenly(rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Evenly spaced rows, so many that `PROPENSITY_BLEEDS` are left without one fold; all of them where there are fewer."""
    most = PROPENSITY_BLEEDS * FOLDS // (FOLDS - 1)
    if len(rows) <= most:
        return rows
    return rows[np.linspace(0, len(rows) - 1, most).astype(np.intp)]
