"""Expected risk of a comeback within the window given the case mix, from cross-fitted logistic regressions.

Bleeds with the same covariate pattern have the same risk, so that fits and predictions are per pattern: their cost does
not grow with the log.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.rates.case_mix import CaseMix, CovariatePatterns, FloatArray, build_case_mix
from analysis.stats import cross_fitted_logistic

FOLDS = 5


@dataclass(frozen=True)
class CrossFittedRisk:
    """Ridge logistic regressions on covariate patterns, each fitted without one fold.

    `trials` and `successes` count bleeds and comebacks, `risk` is predicted by the fit without the fold; all are
    patterns × folds. `fitted` is false for a fold outside which only one outcome occurs: its risk is the share there.
    """

    patterns: CovariatePatterns
    fold: NDArray[np.int64]
    trials: FloatArray
    successes: FloatArray
    risk: FloatArray
    fitted: NDArray[np.bool_]

    @property
    def of_each_bleed(self) -> FloatArray:
        """Each bleed's risk by the fit without its own fold."""
        return np.asarray(self.risk[self.patterns.pattern_index, self.fold])


def fit_cross_fitted_risk(
    patterns: CovariatePatterns, fold: NDArray[np.int64], included: FloatArray, returned: FloatArray
) -> CrossFittedRisk:
    """Fit the risk of a comeback without each fold.

    Parameters
    ----------
    patterns
        Covariate patterns.
    fold
        Each bleed's fold, from 0.
    included, returned
        Whether each bleed is used in the fits, and whether it came back; 0 or 1.
    """
    from scipy import special

    size, folds = len(patterns.x), int(fold.max(initial=0)) + 1
    cell = patterns.pattern_index * folds + fold
    trials = np.bincount(cell, included, size * folds).reshape(size, folds).astype(float)
    successes = np.bincount(cell, included * returned, size * folds).reshape(size, folds).astype(float)
    fits = cross_fitted_logistic(patterns.x, trials, successes)
    trials_outside, successes_outside = (count.sum() - count.sum(axis=0) for count in (trials, successes))
    predicted = special.expit(patterns.x @ fits.coefficients[:-1] + fits.coefficients[-1])
    risk = np.where(fits.estimable, predicted, successes_outside / np.maximum(trials_outside, 1))
    return CrossFittedRisk(patterns, fold, trials, successes, risk, fits.estimable)


def expected_risk(data: BleedData, rng: np.random.Generator, *, case_mix: CaseMix | None = None) -> FloatArray:
    """Each bleed's expected risk of a comeback within the window, given its case mix alone.

    Never adjusted for technique, stand readings, technician or shop. Ridge logistic regression on mature bleeds; the
    prediction for a bleed comes from a fit without any bleed of its bike. Scaled so that expected equals observed
    comebacks over all mature bleeds.

    Parameters
    ----------
    data
        All accepted bleeds.
    rng
        Assigns bikes to folds.
    case_mix
        `build_case_mix(data.bleeds)`, if already computed.

    Returns
    -------
    ndarray
        One risk per bleed, in the order of `data.bleeds`.
    """
    case_mix = case_mix or build_case_mix(data.bleeds)
    mature = data.bleeds.get_column("mature").to_numpy()
    returned = data.bleeds.get_column("came_back").to_numpy()
    fold = _assign_folds(case_mix.group(data.bleeds, "bike_id"), rng)
    fits = fit_cross_fitted_risk(case_mix.patterns(), fold, mature.astype(float), returned.astype(float))
    risk = fits.of_each_bleed
    expected, observed = risk[mature].sum(), float(returned[mature].sum())
    return np.clip(risk * (observed / expected if expected > 0 else 1.0), 0, 1)


def _assign_folds(bikes: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
    """Each bleed's fold; all bleeds of a bike are in the same one."""
    groups = bikes.max(initial=0) + 1
    return bikes if groups == 1 else rng.permutation(np.arange(groups) % FOLDS)[bikes]
