"""Rows of figures summed within clusters, chunk after chunk."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import DTypeLike, NDArray

Floats = NDArray[np.floating]
Places = NDArray[np.int64]


def gathered(
    parts: Iterable[tuple[slice, Floats]], cluster: Places, columns: int, kind: DTypeLike = np.float64
) -> Floats:
    """Rows that come chunk after chunk, summed within clusters.

    Parameters
    ----------
    parts
        Where a chunk's rows stand, and the rows, each of `columns` figures.
    cluster
        Each row's, numbered from 0.
    columns
        Figures a row.
    kind
        Float32 or float64: the rows', and what they are summed in.

    Returns
    -------
    ndarray
        Clusters × columns, summed in the rows' order.
    """
    found = np.zeros((int(cluster.max(initial=-1)) + 1, columns), dtype=kind)
    for part, rows in parts:
        add_at(found, cluster[part], rows)
    return found


def add_at(found: Floats, place: Places, rows: Floats, weight: Floats | None = None) -> None:
    """found[place[i]] += weight[i] rows[i] in the precision of `found`, whose rows lie one after another; a weight of 1
    unless given.

    By the kernel under scipy's sparse product: numpy's own takes seven times as long.
    """
    weight = np.ones(len(rows), dtype=found.dtype) if weight is None else weight.astype(found.dtype, copy=False)
    rows = np.ascontiguousarray(rows, dtype=found.dtype)
    try:
        from scipy.sparse._sparsetools import csc_matvecs
    except ImportError:
        np.add.at(found, place, weight[:, None] * rows)
        return
    ends, place = np.arange(len(rows) + 1), np.ascontiguousarray(place, dtype=np.int64)
    csc_matvecs(len(found), len(rows), rows.shape[1], ends, place, weight, rows.ravel(), found.ravel())
