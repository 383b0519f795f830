"""The limit on how many bleeds a model is fitted to: whole bikes, the same ones whatever the order of the file."""

from __future__ import annotations

from hashlib import blake2b

import numpy as np
import polars as pl
from numpy.typing import NDArray

FIT_LIMIT = 50_000
"""Largest number of bleeds that a model is fitted to. Counts use all bleeds, and every bleed is scored."""


def fit_sample(clusters: pl.Series, limit: int, seed: int) -> NDArray[np.bool_]:
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
