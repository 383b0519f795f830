"""Rows in groups: level codes, sums, cross products, the cluster-robust (sandwich) covariance, samples of whole clusters."""

from __future__ import annotations

from hashlib import blake2b
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

MAX_LEVELS = 300
"""Levels of a category with a column of their own in a model; the others are taken as average. A ridge leaves little of
a level with few rows, and time grows with the cube of the columns."""
FloatArray = NDArray[np.float64]
ROWS_AT_ONCE = 2_048
"""Few enough to stay in the processor's cache: writing a weighted copy of a whole tall matrix takes longer than the
product itself."""
FIT_LIMIT = 50_000
"""Largest number of bleeds that a model is fitted to. Counts use all bleeds, and every bleed is scored."""


def level_codes(values: pl.Series) -> NDArray[np.int64]:
    """Code each value by its position among the sorted distinct values, from 0; an empty cell is a level, the first."""
    levels = values.unique().sort().to_frame("level").with_row_index("code")
    coded = values.to_frame("level").join(levels, on="level", how="left", nulls_equal=True, maintain_order="left")
    return coded.get_column("code").to_numpy().astype(np.int64)


def frequent_codes(codes: NDArray[np.int64]) -> NDArray[np.int64]:
    """The codes of the levels that get a column in a model, in order: at most `MAX_LEVELS`, those with most rows."""
    counts = np.bincount(codes)
    return np.sort(np.argsort(-counts, kind="stable")[:MAX_LEVELS])


def sum_by_level(levels: pl.Series, values: NDArray[np.floating]) -> pl.DataFrame:
    """Sum values within each level, always in row order.

    polars sums in the order its threads finish, so that the last digit would change from run to run. One level and
    value per row; an empty cell is a level.

    Returns
    -------
    pl.DataFrame
        One row per level, sorted: the levels under their own name, and `sum`.
    """
    distinct = levels.unique().sort()
    return pl.DataFrame({levels.name: distinct, "sum": np.bincount(level_codes(levels), values, len(distinct))})


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
    """
    squares = float((residual**2).sum())
    _, numbered = np.unique(cluster, return_inverse=True)
    return max(float((np.bincount(numbered, residual) ** 2).sum()) / squares, 1.0) if squares > 0 else 1.0


class DesignEffect(NamedTuple):
    """How much more a group's mean varies than if its values were independent, and the degrees of freedom of that figure."""

    ratio: float
    degrees_of_freedom: float


INDEPENDENT = DesignEffect(1.0, float("inf"))


def design_effect_within_groups(
    values: FloatArray, group: NDArray[np.integer], cluster: NDArray[np.integer]
) -> DesignEffect:
    """Design effect of clusters (numbered from 0) within groups: values of one cluster may be alike.

    Squared totals by cluster of the values less their group's mean, over what these would be if values were independent;
    at least 1, and 1 where no group has two clusters or no value differs. Degrees of freedom: clusters less groups.

    Source: J. N. K. Rao & A. J. Scott 1992, Biometrics 48:577-585 (a ratio of variances as a design effect; from memory).
    """
    if not len(values):
        return INDEPENDENT
    _, group = np.unique(group, return_inverse=True)
    pairs = group * (int(cluster.max()) + 1) + cluster
    _, first, cluster = np.unique(pairs, return_index=True, return_inverse=True)
    size, cluster_size = np.bincount(group), np.bincount(cluster)
    residual = values - (np.bincount(group, values) / size)[group]
    freedom = len(cluster_size) - len(size)
    variance = float((residual**2).sum()) / max(len(values) - len(size), 1)
    if freedom < 1 or variance <= 0:
        return INDEPENDENT
    expected = variance * (len(values) - float((cluster_size**2 / size[group[first]]).sum()))
    return DesignEffect(max(float((np.bincount(cluster, residual) ** 2).sum()) / expected, 1.0), float(freedom))


def clustered_standard_error(influence: FloatArray, cluster: NDArray[np.integer]) -> float:
    """Cluster-robust standard error of one estimate from each row's influence on it."""
    return float(np.sqrt((sum_within_clusters(influence, cluster) ** 2).sum()))


def is_in_fit_sample(clusters: pl.Series, limit: int, seed: int) -> NDArray[np.bool_]:
    """Choose the rows that a model is fitted to: all of them, or whole clusters up to `limit` rows.

    Clusters are taken in the order of a hash of their name and the seed until the next one would exceed the limit, so
    that the choice does not depend on the order of the rows.

    Parameters
    ----------
    clusters
        Each row's cluster (its bike).
    limit
        Largest number of rows, above 0.
    seed
        Key of the hash: another seed chooses other clusters.

    Returns
    -------
    ndarray
        True where a row is chosen; one entry per row.
    """
    if len(clusters) <= limit:
        return np.ones(len(clusters), dtype=bool)
    names = clusters.cast(pl.String).fill_null("").alias("name")
    counts = names.value_counts(name="rows")
    key = str(seed).encode()
    hashes = [blake2b(name.encode(), key=key, digest_size=8).digest() for name in counts.get_column("name")]
    order = sorted(range(len(hashes)), key=hashes.__getitem__)
    total = np.cumsum(counts.get_column("rows").to_numpy()[order])
    chosen = max(int(np.searchsorted(total, limit, side="right")), 1)
    chosen_names = counts.get_column("name")[order[:chosen]]
    return names.is_in(chosen_names.implode()).to_numpy()
