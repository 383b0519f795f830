"""The chance to come back by the work alone, from fits that leave out one fold each.

Bleeds of the same kind of work have the same risk, so everything is worked out for each kind and never for each bleed:
what a fit costs does not grow with the log.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.rates.case_mix import CovariatePatterns, FloatArray
from analysis.stats import cross_fitted_logistic


@dataclass(frozen=True)
class CrossFittedRisk:
    """Ridge logistic regressions on kinds of work, each without one fold.

    `trials` and `successes` count bleeds and comebacks, `risk` is each kind's chance by the fit without the fold; all are
    kinds × folds. `fitted` is false for a fold outside of which only one outcome was left: its risk is the share there.
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
    kinds: CovariatePatterns, fold: NDArray[np.int64], counted: FloatArray, back: FloatArray
) -> CrossFittedRisk:
    """Fit the work's risk without each fold.

    Parameters
    ----------
    kinds
        Kinds of work.
    fold
        Each bleed's fold, from 0.
    counted, back
        Whether each bleed counts, and whether it came back, 0 or 1.
    """
    from scipy import special

    size, folds = len(kinds.x), int(fold.max(initial=0)) + 1
    at = kinds.pattern_index * folds + fold
    tried = np.bincount(at, counted, size * folds).reshape(size, folds).astype(float)
    came = np.bincount(at, counted * back, size * folds).reshape(size, folds).astype(float)
    found = cross_fitted_logistic(kinds.x, tried, came)
    others, successes = (count.sum() - count.sum(axis=0) for count in (tried, came))
    by_work = special.expit(kinds.x @ found.coefficients[:-1] + found.coefficients[-1])
    risk = np.where(found.estimable, by_work, successes / np.maximum(others, 1))
    return CrossFittedRisk(kinds, fold, tried, came, risk, found.estimable)


def cross_fitted_risk(
    patterns: CovariatePatterns, fold: NDArray[np.int64], trials: FloatArray, returned: FloatArray
) -> FloatArray:
    """Each bleed's chance to come back by a ridge logistic regression on the counted bleeds of the other folds.

    Parameters are those of `fit_cross_fitted_risk`.
    """
    return fit_cross_fitted_risk(patterns, fold, trials, returned).of_each_bleed
