"""Sums within clusters, and the cluster-robust (sandwich) covariance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def sum_within_clusters(
    rows: FloatArray, cluster: NDArray[np.integer], weight: FloatArray | None = None, clusters: int | None = None
) -> FloatArray:
    """Sum weighted rows within clusters.

    Parameters
    ----------
    rows
        n × k, or n values.
    cluster
        Each row's cluster, numbered from 0.
    weight
        One per row; 1 unless given.
    clusters
        Number of clusters; one more than the largest number in `cluster` unless given.

    Returns
    -------
    ndarray
        clusters × k, or one value per cluster.
    """
    size = int(cluster.max(initial=-1)) + 1 if clusters is None else clusters
    if rows.ndim == 1:
        return np.bincount(cluster, rows if weight is None else rows * weight, size).astype(float)
    from scipy.sparse import csc_array

    weight = np.ones(len(rows)) if weight is None else weight
    members = csc_array((weight, cluster, np.arange(len(rows) + 1)), shape=(size, len(rows)))
    return np.asarray(members @ rows)


def clustered_covariance(influence: FloatArray, cluster: NDArray[np.integer]) -> FloatArray:
    """Cluster-robust covariance of k estimates from each row's influence on them (n × k).

    Influences are summed within clusters, then their cross products; no correction for few clusters.

    Source: K.-Y. Liang & S. L. Zeger 1986, Biometrika 73:13-22 (the sandwich).
    """
    sums = sum_within_clusters(influence, cluster)
    return np.asarray(sums.T @ sums)


def cluster_design_effect(residual: FloatArray, cluster: NDArray[np.integer]) -> float:
    """How much more a sum of residuals varies than if rows of one cluster were independent; at least 1.

    Sum of squared residual totals by cluster over the sum of squared residuals; 1 where all residuals are 0.

    Source: the cluster-robust variance of K.-Y. Liang & S. L. Zeger 1986, Biometrika 73:13-22, as a design effect.

    Parameters
    ----------
    residual
        One per row (n).
    cluster
        Each row's cluster, any integers.
    """
    squares = float((residual**2).sum())
    _, numbered = np.unique(cluster, return_inverse=True)
    return max(float((np.bincount(numbered, residual) ** 2).sum()) / squares, 1.0) if squares > 0 else 1.0


def clustered_standard_error(influence: FloatArray, cluster: NDArray[np.integer]) -> float:
    """Cluster-robust standard error of one estimate from each row's influence on it."""
    return float(np.sqrt((sum_within_clusters(influence, cluster) ** 2).sum()))
