"""Weighted cross products of a tall matrix."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ROWS_AT_ONCE = 2_048
"""Few enough to stay in the processor's cache: a weighted copy of a tall matrix takes longer to write than to multiply."""


def weighted_gram(x: FloatArray, weight: FloatArray) -> FloatArray:
    """x' diag(weight) x, p × p; weights 0 or more, one a row."""
    found, root = np.zeros((x.shape[1], x.shape[1])), np.sqrt(weight)[:, None]
    for start in range(0, len(x), ROWS_AT_ONCE):
        rows = slice(start, start + ROWS_AT_ONCE)
        half = x[rows] * root[rows]
        found += half.T @ half
    return found
