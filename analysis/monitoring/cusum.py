"""Risk-adjusted CUSUM: does the odds of a comeback double (or halve) against what the same work would give.

Source: S. H. Steiner, R. J. Cook, V. T. Farewell & T. Treasure 2000, Biostatistics 1:441-452.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def log_likelihood_ratios(
    risk: FloatArray, came_back: FloatArray, odds_ratio: float, bleeds: ArrayLike = 1.0
) -> FloatArray:
    """The log-likelihood ratio that bleeds of one risk add: y log R - n log(1 - p + R p).

    Parameters
    ----------
    risk
        Expected risk, in (0, 1).
    came_back
        How many came back, up to `bleeds`.
    odds_ratio
        2 watches for twice the odds, 0.5 for half.
    bleeds
        How many bleeds there are.
    """
    return np.asarray(came_back * np.log(odds_ratio) - np.asarray(bleeds) * np.log(1 - risk + odds_ratio * risk))


def cusum(steps: FloatArray) -> FloatArray:
    """The CUSUM after each step of the last axis: never below 0."""
    total = np.cumsum(steps, axis=-1)
    return np.asarray(total - np.minimum(np.minimum.accumulate(total, axis=-1), 0.0))
