"""Rows summed within clusters, and the covariance such sums give (sandwich)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def sum_within_clusters(
    rows: FloatArray, cluster: NDArray[np.integer], weight: FloatArray | None = None, clusters: int | None = None
) -> FloatArray:
    """Sum rows, each times its weight, within clusters.

    Parameters
    ----------
    rows
        n × k, or n numbers.
    cluster
        Each row's cluster, numbered from 0.
    weight
        One a row; 1 unless given.
    clusters
        How many there are; one more than the largest number unless given.

    Returns
    -------
    ndarray
        clusters × k, or one number a cluster.
    """
    size = int(cluster.max(initial=-1)) + 1 if clusters is None else clusters
    if rows.ndim == 1:
        return np.bincount(cluster, rows if weight is None else rows * weight, size).astype(float)
    from scipy.sparse import csc_array

    weight = np.ones(len(rows)) if weight is None else weight
    members = csc_array((weight, cluster, np.arange(len(rows) + 1)), shape=(size, len(rows)))
    return np.asarray(members @ rows)


def clustered_covariance(influence: FloatArray, cluster: NDArray[np.integer]) -> FloatArray:
    """Covariance of k estimates from each row's influence on them (n × k), rows of one cluster taken together.

    Source: K.-Y. Liang & S. L. Zeger 1986, Biometrika 73:13-22 (the sandwich).
    """
    sums = sum_within_clusters(influence, cluster)
    return np.asarray(sums.T @ sums)


def clustered_standard_error(influence: FloatArray, cluster: NDArray[np.integer]) -> float:
    """Standard error of one estimate from each row's influence on it, rows of one cluster taken together."""
    return float(np.sqrt((sum_within_clusters(influence, cluster) ** 2).sum()))
