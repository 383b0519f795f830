"""AIPW check: cross-fitted doubly robust estimates from bleeds followed for the full window.

Sources: J. M. Robins, A. Rotnitzky & L. P. Zhao 1994, J. Am. Stat. Assoc. 89:846-866 (augmented inverse-probability
weighting, here for the effect on the missed); V. Chernozhukov et al. 2018, Econom. J. 21:C1-C68 (cross-fitting).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.stats import CrossFittedCoefficients, clustered_covariance, cross_fitted_logistic, out_of_fold_log_odds
from analysis.steps.design_matrix import Design

FloatArray = NDArray[np.float64]
FOLDS = 5
MAX_PROPENSITY = 0.95
TOLERANCE = 1e-7
"""Gain in 2 × log likelihood at which a fit stops: 0.0003 of a standard error."""
MAX_PROPENSITY_BLEEDS = 5_000
"""Bleeds per propensity fit, of which there are steps × folds (about 100). The error of a propensity enters the
estimate only multiplied by that of the outcome model."""


@dataclass(frozen=True)
class AipwEstimate:
    """Comebacks prevented per 100 bleeds by step, with standard errors clustered by bike; NaN with too few bleeds.

    `no_overlap` is true where more than a tenth of the bleeds that missed the step had a propensity above 0.95.
    """

    prevented: FloatArray
    sd: FloatArray
    no_overlap: NDArray[np.bool_]


def aipw_terms(
    came_back: FloatArray, missed: FloatArray, recorded: FloatArray, risk_if_met: FloatArray, propensity: FloatArray
) -> FloatArray:
    """Contribution of each bleed to P(comeback) − P(comeback had the step been met); their mean is the estimate.

    Parameters
    ----------
    came_back, missed, recorded
        0 or 1 per bleed; a bleed where the step is not recorded contributes 0.
    risk_if_met, propensity
        Out-of-fold predictions: risk had the step been met, and probability of a miss (below 1).
    """
    residual = came_back - risk_if_met
    odds = propensity / (1 - propensity)
    return recorded * (missed * residual - (1 - missed) * odds * residual)


def estimate_by_aipw(data: BleedData, design: Design, rng: np.random.Generator) -> AipwEstimate:
    """Estimate every step of the design from the bleeds followed for the full window.

    Whole bikes are drawn into folds.
    """
    rows = np.flatnonzero(data.bleeds.get_column("mature").to_numpy())
    y = data.bleeds.get_column("came_back").to_numpy()[rows].astype(float)
    x, bike, steps = design.x[rows], design.bike[rows], design.step_count
    no_estimate = np.full(steps, np.nan)
    if y.sum() < 2 * FOLDS or (1 - y).sum() < 2 * FOLDS:
        return AipwEstimate(no_estimate, no_estimate.copy(), np.zeros(steps, dtype=bool))
    fold = rng.integers(0, FOLDS, bike.max() + 1)[bike]
    missed, recorded = (flags[rows].astype(float) for flags in (design.missed, ~design.unrecorded))
    risk, propensity = _cross_fit_predictions(x, y, missed, recorded, fold)
    terms = 100 * aipw_terms(y[:, None], missed, recorded, risk, np.minimum(propensity, MAX_PROPENSITY))
    prevented = terms.mean(axis=0)
    sd = np.sqrt(np.diag(clustered_covariance(terms - prevented, bike))) / len(rows)
    no_overlap = (missed * (propensity > MAX_PROPENSITY)).sum(axis=0) > 0.1 * np.maximum(missed.sum(axis=0), 1)
    too_few = (missed.sum(axis=0) < 10) | ((recorded - missed).sum(axis=0) < 10)
    return AipwEstimate(np.where(too_few, np.nan, prevented), np.where(too_few, np.nan, sd), no_overlap)


def _cross_fit_predictions(
    x: FloatArray, y: FloatArray, missed: FloatArray, recorded: FloatArray, fold: NDArray[np.int64]
) -> tuple[FloatArray, FloatArray]:
    """Out-of-fold risk had each step been met, and propensity of a miss (both n × steps)."""
    from scipy import special

    in_fold = np.eye(FOLDS)[fold]
    outcome = cross_fitted_logistic(x, in_fold, y[:, None] * in_fold, TOLERANCE)
    propensities = [
        _fit_propensity(x, step, missed[:, step], recorded[:, step], in_fold) for step in range(missed.shape[1])
    ]
    log_odds = out_of_fold_log_odds(x, [outcome, *propensities], fold)
    effects = outcome.coefficients[: missed.shape[1]].T
    return special.expit(log_odds[:, :1] - effects[fold] * missed), special.expit(log_odds[:, 1:])


def _fit_propensity(
    x: FloatArray, step: int, missed: FloatArray, recorded: FloatArray, in_fold: FloatArray
) -> CrossFittedCoefficients:
    """Fit the probability that a step is missed, given everything else."""
    rows = _select_evenly_spaced(np.flatnonzero(recorded > 0))
    covariates = x[rows]
    covariates[:, step] = 0
    return cross_fitted_logistic(covariates, in_fold[rows], missed[rows, None] * in_fold[rows], TOLERANCE)


def _select_evenly_spaced(rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Evenly spaced rows such that `MAX_PROPENSITY_BLEEDS` remain with one fold left out; all rows if fewer."""
    limit = MAX_PROPENSITY_BLEEDS * FOLDS // (FOLDS - 1)
    if len(rows) <= limit:
        return rows
    return rows[np.linspace(0, len(rows) - 1, limit).astype(np.intp)]
