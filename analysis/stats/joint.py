"""Joint Wald test of several correlated estimates."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analysis.stats.distributions import chi_square_tail

RANK_TOLERANCE = 1e-10
"""Eigenvalues below this share of the largest count as zero."""


def equal_values_p_value(values: ArrayLike, covariance: ArrayLike) -> float:
    """p-value of the hypothesis that correlated estimates have the same true value; NaN with fewer than two.

    Wald test of all differences from the first; the degrees of freedom are the rank of their covariance, so that points
    along a smooth curve count as the few coefficients they come from.

    Source: A. Wald 1943, Trans. Am. Math. Soc. 54:426-482; with independent estimates it is W. G. Cochran's Q (1954,
    Biometrics 10:101-129).

    Parameters
    ----------
    values
        One estimate per level, shape (k,).
    covariance
        Covariance of the estimates, shape (k, k).
    """
    y, sigma = np.asarray(values, dtype=float), np.asarray(covariance, dtype=float)
    if len(y) < 2 or not (np.isfinite(y).all() and np.isfinite(sigma).all()):
        return float("nan")
    differences = y[1:] - y[0]
    variance = sigma[1:, 1:] - sigma[1:, :1] - sigma[:1, 1:] + sigma[0, 0]
    eigenvalues, directions = np.linalg.eigh((variance + variance.T) / 2)
    estimable = eigenvalues > RANK_TOLERANCE * max(float(eigenvalues[-1]), 0.0)
    if not estimable.any():
        return float("nan")
    components = directions[:, estimable].T @ differences
    return float(chi_square_tail(float((components**2 / eigenvalues[estimable]).sum()), int(estimable.sum())))
