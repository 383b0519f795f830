"""The chance to come back by the work alone, told of each bleed by a model that never saw its fold.

Bleeds of the same kind of work have the same risk, so everything is worked out for each kind and never for each bleed:
what a fit costs does not grow with the log.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.rates.work import Kinds, Numbers
from analysis.stats import cross_fitted_logistic


def left_out_risk(kinds: Kinds, fold: NDArray[np.int64], counted: Numbers, back: Numbers) -> Numbers:
    """Each bleed's chance to come back by a ridge logistic regression on the counted bleeds of the other folds.

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
    at = kinds.place * folds + fold
    tried = np.bincount(at, counted, size * folds).reshape(size, folds).astype(float)
    came = np.bincount(at, counted * back, size * folds).reshape(size, folds).astype(float)
    found = cross_fitted_logistic(kinds.x, tried, came)
    others, successes = (count.sum() - count.sum(axis=0) for count in (tried, came))
    by_work = special.expit(kinds.x @ found.coefficients[:-1] + found.coefficients[-1])
    risk = np.where(found.estimable, by_work, successes / np.maximum(others, 1))
    return np.asarray(risk[kinds.place, fold])
