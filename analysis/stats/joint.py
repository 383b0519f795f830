"""One test of several correlated estimates at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analysis.stats.distributions import chi_square_tail

SINGULAR = 1e-10
"""Share of the largest eigenvalue below which a direction of a covariance holds no information."""


def equal_values_p_value(values: ArrayLike, covariance: ArrayLike) -> float:
    """p-value that correlated estimates all have the same true value; NaN where fewer than two can be compared.

    The joint Wald test of all differences: chi-square on the rank of their covariance, so that points along one smooth
    curve count as the few coefficients they come from.

    Source: A. Wald 1943, Trans. Am. Math. Soc. 54:426-482; with independent estimates it is W. G. Cochran's Q (1954,
    Biometrics 10:101-129).

    Parameters
    ----------
    values
        One estimate per level, shape (k,).
    covariance
        Of the estimates, shape (k, k).
    """
    y, sigma = np.asarray(values, dtype=float), np.asarray(covariance, dtype=float)
    if len(y) < 2 or not (np.isfinite(y).all() and np.isfinite(sigma).all()):
        return float("nan")
    differences = y[1:] - y[0]
    spread = sigma[1:, 1:] - sigma[1:, :1] - sigma[:1, 1:] + sigma[0, 0]
    eigenvalues, directions = np.linalg.eigh((spread + spread.T) / 2)
    kept = eigenvalues > SINGULAR * max(float(eigenvalues[-1]), 0.0)
    if not kept.any():
        return float("nan")
    along = directions[:, kept].T @ differences
    return float(chi_square_tail(float((along**2 / eigenvalues[kept]).sum()), int(kept.sum())))
