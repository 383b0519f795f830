"""A matrix kept a row a level gives what the same matrix written out gives, to the rounding of its own columns."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.regression import (
    Below,
    Factor,
    Grouped,
    Joined,
    crossed,
    crossed_parts,
    parts_of,
    product,
    products,
    squared,
    summed,
)
from analysis.regression.chunks import CHUNK

ROWS = 5 * CHUNK + 3
"""Enough for several threads."""


@pytest.fixture(scope="module", params=[(3, float), (500, float), (ROWS, float), (ROWS, np.float32)])
def both(request):
    """The matrix kept by level, and written out in double precision."""
    rows, kind = request.param
    rng = np.random.default_rng(6)
    own = rng.normal(size=(rows, 3)).astype(kind)
    kept = Grouped(
        own,
        np.array([4, 0, 2]),
        (
            Factor(rng.integers(0, 5, rows), rng.normal(size=(5, 2)), np.array([1, 6])),
            Factor(rng.integers(0, 2, rows), rng.normal(size=(2, 2)), np.array([5, 3])),
        ),
    )
    dense = np.empty((rows, 7))
    dense[:, kept.at] = own
    for one in kept.factors:
        dense[:, one.at] = one.rows[one.codes]
    return kept, dense


def same(kept, found, expected):
    close = 1e-11 if kept.dtype == np.float64 else 3e-6
    np.testing.assert_allclose(found, expected, rtol=close, atol=close * max(np.abs(expected).max(), 1))


def weights(x, seed=1):
    return np.random.default_rng(seed).uniform(0.1, 1, len(x))


def test_products_and_sums_are_those_of_the_matrix_written_out(both):
    kept, dense = both
    weight, by, place = weights(kept), np.linspace(-1, 1, 14).reshape(7, 2), np.arange(len(kept)) % 3
    assert kept.shape == dense.shape
    same(kept, product(kept, by), dense @ by)
    same(kept, product(kept, by[:, 0]), dense @ by[:, 0])
    same(kept, np.vstack([found for _, found in products(kept, by)]), dense @ by)
    same(kept, crossed(kept, weight), dense.T @ weight)
    same(kept, crossed(kept, weight > 0.5), dense[weight > 0.5].sum(axis=0))
    same(kept, squared(kept, weight), (dense.T * weight) @ dense)
    same(kept, summed(kept, place, 4, weight), summed(dense, place, 4, weight))


def test_sums_of_several_columns_come_part_after_part(both):
    kept, dense = both
    by = np.column_stack([weights(kept), weights(kept, 3)])
    same(kept, crossed(kept, by), dense.T @ by)
    same(kept, crossed_parts(kept, ((part, by[part]) for part in parts_of(len(kept)))), dense.T @ by)


def test_some_columns_others_beside_and_rows_below_are_those_of_the_matrix_written_out(both):
    kept, dense = both
    beside, later = weights(kept, 2)[:, None].astype(kept.dtype), np.flatnonzero(weights(kept) > 0.5)
    for one, other in (
        (Joined(kept, (1, 4, 5), beside), Joined(dense, (1, 4, 5), beside)),
        (Below(kept, later, 2), Below(dense, later, 2)),
    ):
        by, weight = np.linspace(-1, 1, one.shape[1]), np.resize(weights(kept), len(one))
        same(kept, product(one, by), product(other, by))
        same(kept, crossed(one, weight), crossed(other, weight))
        same(kept, squared(one, weight), squared(other, weight))


def test_rows_asked_for_are_written_out_in_its_own_precision(both):
    kept, dense = both
    for rows in (slice(1, 3), slice(None, None, 3), weights(kept) > 0.6, np.array([2, 0])):
        assert kept[rows].dtype == kept.dtype
        np.testing.assert_allclose(kept[rows], dense[rows], rtol=1e-6)
    np.testing.assert_array_equal(kept.part(slice(1, 3))[:], kept[1:3])
