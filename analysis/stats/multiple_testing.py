"""False discovery among many tests."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def benjamini_hochberg(p_values: ArrayLike) -> NDArray[np.float64]:
    """Adjusted p-values, in the order given; NaN stays NaN and is not counted as a test.

    Source: Y. Benjamini & Y. Hochberg 1995, J. R. Stat. Soc. B 57:289-300.
    """
    p = np.asarray(p_values, dtype=float)
    q = np.full_like(p, np.nan)
    known = np.isfinite(p)
    order = np.argsort(p[known])[::-1]
    places = np.arange(len(order), 0, -1)
    adjusted = np.minimum.accumulate(p[known][order] * len(order) / places)
    q[np.flatnonzero(known)[order]] = np.minimum(adjusted, 1.0)
    return q


def holm(p_values: ArrayLike) -> NDArray[np.float64]:
    """P-values adjusted so that the chance of any false one is held, in the order given.

    Source: S. Holm 1979, Scand. J. Stat. 6:65-70.
    """
    p = np.asarray(p_values, dtype=float)
    order = np.argsort(p)
    adjusted = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    q = np.empty_like(p)
    q[order] = np.minimum(adjusted, 1.0)
    return q
