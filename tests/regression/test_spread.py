"""A matrix spread over the workers of a real scheduler gives what the same matrix gives here."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from distributed import Client, LocalCluster
from threadpoolctl import threadpool_limits

from analysis.regression import (
    Below,
    Joined,
    Workers,
    crossed,
    crossed_parts,
    parts_of,
    product,
    products,
    squared,
    summed,
)
from analysis.regression.chunks import CHUNK
from analysis.regression.spread import pieces_of

WIDTH = 7


@pytest.fixture(scope="module")
def workers():
    with (
        LocalCluster(n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=":0") as cluster,
        Client(cluster.scheduler_address) as client,
        threadpool_limits(1),
    ):
        yield Workers(client)


@pytest.fixture(scope="module", params=[(3, float), (1_001, float), (40_000, np.float32)], ids=["few", "some", "many"])
def both(request, workers):
    """A matrix here, and the same on the workers."""
    rows, kind = request.param
    x = np.random.default_rng(5).normal(size=(rows, WIDTH)).astype(kind)
    return x, workers.spread(rows, lambda part: x[part])


@pytest.mark.parametrize("rows", [0, 1, 5, CHUNK, CHUNK + 1, 10 * CHUNK, 1_000_003])
@pytest.mark.parametrize("workers", [1, 2, 30])
def test_pieces_follow_one_another_and_end_where_chunks_end(rows, workers):
    pieces = list(pieces_of(rows, workers))
    assert pieces[0].start == 0
    assert pieces[-1].stop == rows
    assert all(one.stop == after.start for one, after in pairwise(pieces))
    assert all(one.stop % CHUNK == 0 or one.stop < workers * CHUNK * 3 or one.stop == rows for one in pieces)


def weights(x, seed=1):
    return np.random.default_rng(seed).uniform(0.1, 1, len(x))


def same(found, expected):
    np.testing.assert_allclose(found, expected, rtol=1e-11, atol=1e-11)


def test_products_and_sums_are_those_of_one_process(both):
    x, spread = both
    weight, by = weights(x), np.arange(WIDTH * 2.0).reshape(WIDTH, 2) / 7
    place = np.arange(len(x)) % 3
    assert spread.shape == x.shape
    assert len(spread.pieces) == 2 or len(x) > CHUNK
    same(product(spread, by), product(x, by))
    same(product(spread, by[:, 0]), product(x, by[:, 0]))
    same(crossed(spread, weight), crossed(x, weight))
    same(squared(spread, weight), squared(x, weight))
    same(summed(spread, place, 3, weight), summed(x, place, 3, weight))


def test_columns_beside_and_rows_below_are_those_of_one_process(both):
    x, spread = both
    weight = weights(x)
    beside = weights(x, 2)[:, None].astype(x.dtype)
    later = np.flatnonzero(weight > 0.5)
    for here, there in (
        (Joined(x, (1, 4), beside), Joined(spread, (1, 4), beside)),
        (Below(x, later, 2), Below(spread, later, 2)),
    ):
        by, own = np.linspace(-1, 1, here.shape[1])[:, None], np.resize(weight, len(here))
        same(product(there, by), product(here, by))
        same(crossed(there, own), crossed(here, own))
        same(squared(there, own), squared(here, own))
        found = np.full((len(there), 1), np.nan)
        for part, rows in products(there, by):
            found[part] = rows
        same(found, product(here, by))


def test_rows_that_come_part_after_part_fall_into_the_right_pieces(both):
    x, spread = both
    by = np.column_stack([weights(x), weights(x, 3)])
    same(crossed_parts(spread, ((part, by[part]) for part in parts_of(len(x)))), crossed(x, by))
    odd = [slice(start, min(start + 777, len(x))) for start in range(0, len(x), 777)]
    np.testing.assert_allclose(
        crossed_parts(spread, ((part, by[part]) for part in odd)), crossed(x, by), rtol=1e-4, atol=1e-2
    )


def test_rows_asked_for_are_fetched_as_they_stand(both):
    x, spread = both
    some = np.random.default_rng(2).permutation(len(x))[: max(len(x) // 3, 1)]
    for rows in (some, slice(None, None, 3), slice(1, 2), weights(x) > 0.6):
        np.testing.assert_array_equal(spread[rows], x[rows])
