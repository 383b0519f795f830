"""Multiple testing: p-values adjusted for false discovery rate or family-wise error."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def benjamini_hochberg(p_values: ArrayLike) -> NDArray[np.float64]:
    """q-values (false discovery rate), in the order given; NaN stays NaN and does not count as a test.

    Source: Y. Benjamini & Y. Hochberg 1995, J. R. Stat. Soc. B 57:289-300.
    """
    p = np.asarray(p_values, dtype=float)
    q = np.full_like(p, np.nan)
    tested = np.isfinite(p)
    order = np.argsort(p[tested])[::-1]
    ranks = np.arange(len(order), 0, -1)
    adjusted = np.minimum.accumulate(p[tested][order] * len(order) / ranks)
    q[np.flatnonzero(tested)[order]] = np.minimum(adjusted, 1.0)
    return q


def holm(p_values: ArrayLike) -> NDArray[np.float64]:
    """p-values adjusted for family-wise error, in the order given.

    Source: S. Holm 1979, Scand. J. Stat. 6:65-70.
    """
    p = np.asarray(p_values, dtype=float)
    order = np.argsort(p)
    adjusted = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    result = np.empty_like(p)
    result[order] = np.minimum(adjusted, 1.0)
    return result
