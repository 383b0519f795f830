"""Sums over many rows: the same to the last bit however many threads share them out, and what plain products are."""

from threading import Thread

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from analysis.regression import Joined, chunks, crossed, product, squared, summed

ROWS = 70_000  # nine chunks


def sums(x, by, place):
    beside = Joined(x, (0, 2), x[:, 3:])
    weight = np.abs(by)
    return [
        told
        for matrix in (x, beside)
        for told in (
            product(matrix, by[: matrix.shape[1]]),
            crossed(matrix, by),
            squared(matrix, weight),
            summed(matrix, place, 90, weight),
        )
    ]


def drawn(kind):
    rng = np.random.default_rng(6)
    return rng.normal(size=(ROWS, 7)).astype(kind), rng.normal(size=ROWS), rng.integers(0, 90, ROWS)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_sums_do_not_depend_on_the_number_of_threads(kind, monkeypatch):
    x, by, place = drawn(kind)
    with threadpool_limits(1):
        monkeypatch.setattr(chunks, "threads", lambda: 1)
        alone = sums(x, by, place)
        monkeypatch.setattr(chunks, "threads", lambda: 3)
        chunks._pool.cache_clear()
        shared = sums(x, by, place)
    chunks._pool.cache_clear()
    assert all(np.array_equal(one, other) for one, other in zip(alone, shared, strict=True))


def test_sums_are_those_of_plain_products():
    x, by, place = drawn(np.float64)
    weight, days = np.abs(by), np.eye(90)[place]
    assert product(x, by[:7]) == pytest.approx(x @ by[:7], rel=1e-9)
    assert crossed(x, by) == pytest.approx(x.T @ by, rel=1e-9)
    assert squared(x, weight) == pytest.approx((x * weight[:, None]).T @ x, rel=1e-9)
    assert summed(x, place, 90, weight) == pytest.approx(days.T @ (x * weight[:, None]), rel=1e-9)


def test_parts_are_told_in_their_order(monkeypatch):
    monkeypatch.setattr(chunks, "threads", lambda: 3)
    assert list(chunks.in_turn(lambda part: -part, range(100))) == [-part for part in range(100)]


def test_parts_may_be_told_in_parts_themselves(monkeypatch):
    monkeypatch.setattr(chunks, "threads", lambda: 2)
    chunks._pool.cache_clear()
    x, by, _ = drawn(np.float64)
    told = []
    asking = Thread(
        target=lambda: told.extend(chunks.in_turn(lambda k: product(x, k * by[:7]), range(1, 5))), daemon=True
    )
    asking.start()
    asking.join(60)
    chunks._pool.cache_clear()
    assert len(told) == 4, "threads that wait for one another never end"
    assert all(np.array_equal(one, product(x, k * by[:7])) for k, one in enumerate(told, 1))
