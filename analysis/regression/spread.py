"""A matrix whose rows lie on the workers of a Dask cluster, piece after piece: multiplied there, summed here.

Only vectors travel: what a row is weighed by goes out, sums or one number a row come back. Pieces are summed in their
order, whichever worker ends first, and end where chunks end, so that the figures are those of one process but for the
rounding of a last sum in double precision.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import ThreadpoolController

from analysis.regression.chunks import BLOCK, CHUNK
from analysis.regression.grouped import Grouped
from analysis.regression.matrices import Base, Floats, Numbers, Places, crossed, product, squared, summed

CARRIED_BYTES = 1_000_000
"""Larger arrays go to a worker straight, not by way of the scheduler."""
LARGEST_PIECE = 2 * BLOCK
AHEAD = 4
"""Answers awaited at once, a worker: enough to keep each busy, few enough to hold here."""


@dataclass(frozen=True)
class Workers:
    """The workers of a cluster, by a `distributed.Client`."""

    client: Any = field(repr=False)

    @cached_property
    def names(self) -> list[str]:
        """Addresses, in order."""
        return sorted(self.client.scheduler_info(n_workers=-1)["workers"])

    def spread(self, rows: int, made: Callable[[slice], Base]) -> Spread:
        """A matrix made piece by piece and handed to the workers in turn: never whole in this process.

        Parameters
        ----------
        rows
            How many it has.
        made
            Some rows of it, all columns, as the slice of them asks; float32 or float64.
        """
        names = self.names
        pieces = []
        for number, part in enumerate(pieces_of(rows, len(names))):
            own, home = made(part), names[number % len(names)]
            sent = self.client.scatter(own, workers=[home], hash=False)
            pieces.append(Piece(part, home, self.client.submit(_aligned, sent, workers=[home], pure=False)))
        return Spread(self, tuple(pieces), own.shape[1], own.dtype)


def pieces_of(rows: int, workers: int) -> Iterator[slice]:
    """Slices of like size, one a worker or more, that end where blocks end, or chunks where there is no whole block."""
    size, unit = min(-(-rows // workers), LARGEST_PIECE), BLOCK if rows >= BLOCK else CHUNK
    size = max(-(-size // unit) * unit if size > CHUNK else size, 1)
    for start in range(0, max(rows, 1), size):
        yield slice(start, min(start + size, rows))


@dataclass(frozen=True)
class Piece:
    """Rows of a matrix: where they stand in it, the worker that keeps them, and the promise of them."""

    rows: slice
    home: str
    kept: Any = field(repr=False)


@dataclass(frozen=True)
class Spread:
    """n rows × `width` columns in pieces on the workers.

    `product`, `products`, `crossed`, `crossed_parts`, `squared` and `summed` are the functions of these names in
    `matrices`, same shapes; `crossed_parts` wants its parts in order.
    Any of its figures raises what the cluster raises where a worker, and with it its pieces, is lost.
    """

    workers: Workers = field(repr=False)
    pieces: tuple[Piece, ...] = field(repr=False)
    width: int
    dtype: np.dtype[Any]

    @property
    def shape(self) -> tuple[int, int]:
        return len(self), self.width

    def __len__(self) -> int:
        return int(self.pieces[-1].rows.stop)

    def __getitem__(self, rows: slice | Places | NDArray[np.bool_]) -> Floats:
        """Rows fetched here: a sample or a chunk, not the whole of a large matrix."""
        places = np.arange(len(self))[rows]
        order = np.argsort(places, kind="stable")
        ends = np.searchsorted(places[order], [piece.rows.stop for piece in self.pieces])
        asked = [
            (piece, mine) for piece, mine in zip(self.pieces, np.split(order, ends[:-1]), strict=True) if len(mine)
        ]
        found = np.empty((len(places), self.width), dtype=self.dtype)
        answers = self._asked(_taken, ((piece, places[mine] - piece.rows.start) for piece, mine in asked))
        for (_, mine), answer in zip(asked, answers, strict=True):
            found[mine] = answer
        return found

    def product(self, by: Floats) -> Numbers:
        found = np.empty((len(self), *by.shape[1:]))
        for part, own in self.products(by):
            found[part] = own
        return found

    def products(self, by: Floats) -> Iterator[tuple[slice, Numbers]]:
        for piece, found in zip(self.pieces, self._asked(product, ((one, by) for one in self.pieces)), strict=True):
            yield piece.rows, found

    def crossed(self, by: Floats) -> Numbers:
        return self._sum(crossed, ((piece, by[piece.rows]) for piece in self.pieces))

    def crossed_parts(self, parts: Iterable[tuple[slice, Numbers]]) -> Numbers:
        return self._sum(_crossed_from, self._laid_over(parts))

    def squared(self, weight: Floats) -> Numbers:
        return self._sum(squared, ((piece, weight[piece.rows]) for piece in self.pieces))

    def summed(self, place: Places, places: int, weight: Floats) -> Numbers:
        return self._sum(summed, ((one, place[one.rows], places, weight[one.rows]) for one in self.pieces))

    def _laid_over(self, parts: Iterable[tuple[slice, Numbers]]) -> Iterator[tuple[Piece, int, Numbers]]:
        """Which piece, from which of its rows on, and the rows of a part that fall into it; parts come in order."""
        left = iter(self.pieces)
        piece = next(left)
        for part, rows in parts:
            at = part.start
            while at < part.stop:
                while at >= piece.rows.stop:
                    piece = next(left)
                stop = min(part.stop, piece.rows.stop)
                yield piece, at - piece.rows.start, rows[at - part.start : stop - part.start]
                at = stop

    def _sum(self, worked: Callable[..., Numbers], orders: Iterable[tuple[Any, ...]]) -> Numbers:
        return np.asarray(sum(self._asked(worked, orders)))

    def _asked(self, worked: Callable[..., Floats], orders: Iterable[tuple[Any, ...]]) -> Iterator[Any]:
        """What the workers make of an order's piece and the rest of it, in the orders' order."""
        client, awaited = self.workers.client, deque[Any]()
        most = AHEAD * len(self.workers.names)
        for piece, *rest in orders:
            sent = [self._sent(piece, one) for one in rest]
            awaited.append(client.submit(_there, worked, piece.kept, *sent, workers=[piece.home], pure=False))
            if len(awaited) >= most:
                yield awaited.popleft().result()
        while awaited:
            yield awaited.popleft().result()

    def _sent(self, piece: Piece, one: Any) -> Any:
        if isinstance(one, np.ndarray) and one.nbytes > CARRIED_BYTES:
            return self.workers.client.scatter(one, workers=[piece.home], hash=False)
        return one


def _there(worked: Callable[..., Floats], x: Base, *rest: Any) -> Floats:
    """On a worker: the matrix library held to one thread, as here."""
    with _threads().limit(limits=1):
        return worked(x, *(_aligned(one) if isinstance(one, np.ndarray) else one for one in rest))


@cache
def _threads() -> ThreadpoolController:
    return ThreadpoolController()


def _aligned(x: Any) -> Any:
    """What came over the wire stands at odd addresses, where numpy multiplies slowly and rounds otherwise."""
    return replace(x, own=_aligned(x.own)) if isinstance(x, Grouped) else np.require(x, requirements="A")


def _taken(x: Base, rows: Places) -> Floats:
    return x[rows]


def _crossed_from(x: Base, start: int, by: Floats) -> Numbers:
    """Some rows of a piece, from `start` on, crossed with theirs."""
    part = slice(start, start + len(by))
    return crossed(x.part(part) if isinstance(x, Grouped) else x[part], by)
