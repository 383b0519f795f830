"""Weighted cross products and inverses of symmetric matrices."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ROWS_AT_ONCE = 2_048
"""Few enough to stay in the processor's cache: writing a weighted copy of a whole tall matrix takes longer than the
product itself."""


def weighted_gram(x: FloatArray, weight: FloatArray) -> FloatArray:
    """x' diag(weight) x, p × p; weights 0 or more, one per row."""
    gram, root = np.zeros((x.shape[1], x.shape[1])), np.sqrt(weight)[:, None]
    for start in range(0, len(x), ROWS_AT_ONCE):
        rows = slice(start, start + ROWS_AT_ONCE)
        weighted = x[rows] * root[rows]
        gram += weighted.T @ weighted
    return gram


def symmetric_inverse(matrix: FloatArray) -> FloatArray:
    """Inverse of a positive semi-definite matrix by Cholesky; the Moore-Penrose inverse where it is singular."""
    from scipy.linalg import lapack

    if not matrix.size:
        return matrix
    root, failed = lapack.dpotrf((matrix + matrix.T) / 2, lower=1)
    pivots = np.diag(root) ** 2
    if not failed and pivots.min(initial=np.inf) > pivots.max(initial=0.0) * 1e-10:
        lower, _ = lapack.dpotri(root, lower=1)
        inverse = lower + lower.T
        np.fill_diagonal(inverse, np.diag(lower))
        return np.asarray(inverse)
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    positive = values > max(values.max(initial=0.0), 1e-300) * 1e-10
    return (vectors[:, positive] / values[positive]) @ vectors[:, positive].T
