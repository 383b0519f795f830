"""Matrices made of others' columns or rows, worked with where these stand: a wide one is never copied beside itself.

Products are taken in the matrix's own precision (float32 or float64), chunk by chunk, and summed in double. n rows and p
columns everywhere; a shape that does not fit raises numpy's ValueError.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from analysis.regression.chunks import blocks_of, of_parts, parts_of
from analysis.regression.gathering import add_at

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]
Floats = NDArray[np.floating]


class Kept(Protocol):
    """A matrix kept by levels (`Grouped`) or in other processes (`Spread`): only rows asked for are written out."""

    @property
    def shape(self) -> tuple[int, int]: ...

    @property
    def dtype(self) -> np.dtype[Any]: ...

    def __len__(self) -> int: ...

    def __getitem__(self, rows: Any) -> Floats: ...

    def product(self, by: Floats) -> Numbers: ...

    def products(self, by: Floats) -> Iterator[tuple[slice, Floats]]: ...

    def crossed(self, by: Floats) -> Numbers: ...

    def crossed_parts(self, parts: Iterable[tuple[slice, Numbers]]) -> Numbers: ...

    def squared(self, weight: Floats) -> Numbers: ...

    def summed(self, place: Places, places: int, weight: Floats) -> Numbers: ...


Base = Floats | Kept


@dataclass(frozen=True)
class Joined:
    """Some columns of a matrix (all unless named), then the columns `beside`, row by row the same."""

    base: Base = field(repr=False)
    kept: tuple[int, ...] | None = None
    beside: Floats | None = field(default=None, repr=False)

    @property
    def own(self) -> NDArray[np.intp]:
        """Places in the base of the columns kept."""
        return np.arange(self.base.shape[1]) if self.kept is None else np.array(self.kept, dtype=np.intp)

    @property
    def dtype(self) -> np.dtype[Any]:
        """The base's precision."""
        return self.base.dtype

    @property
    def shape(self) -> tuple[int, int]:
        return len(self.base), len(self.own) + (0 if self.beside is None else self.beside.shape[1])

    def __len__(self) -> int:
        return len(self.base)

    def __getitem__(self, rows: slice | NDArray[np.bool_]) -> Joined:
        return Joined(self.base[rows], self.kept, None if self.beside is None else self.beside[rows])

    def _wide(self, by: Floats) -> Numbers:
        """What the base is multiplied by: `by` where its columns are kept, nought elsewhere."""
        own = self.own
        wide = np.zeros((self.base.shape[1], *by.shape[1:]))
        wide[own] = by[: len(own)]
        return wide

    def product(self, by: Floats) -> Numbers:
        found = product(self.base, self._wide(by))
        return found if self.beside is None else found + product(self.beside, by[len(self.own) :])

    def products(self, by: Floats) -> Iterator[tuple[slice, Floats]]:
        for part, found in products(self.base, self._wide(by)):
            yield part, found if self.beside is None else found + product(self.beside[part], by[len(self.own) :])

    def crossed(self, by: Floats) -> Numbers:
        own = crossed(self.base, by)[self.own]
        return own if self.beside is None else np.concatenate([own, crossed(self.beside, by)])

    def squared(self, weight: Floats) -> Numbers:
        own = squared(self.base, weight)[np.ix_(self.own, self.own)]
        if self.beside is None:
            return own
        across = crossed(self.base, weight[:, None] * self.beside)[self.own]
        return np.block([[own, across], [across.T, squared(self.beside, weight)]])

    def summed(self, place: Places, places: int, weight: Floats) -> Numbers:
        own = summed(self.base, place, places, weight)[:, self.own]
        return own if self.beside is None else np.hstack([own, summed(self.beside, place, places, weight)])


@dataclass(frozen=True)
class Below:
    """The rows of a matrix, then those of `later` (ascending) once more; some first columns stand apart there, in new
    ones at the end."""

    base: Base = field(repr=False)
    later: Places = field(repr=False)
    apart: int

    @property
    def dtype(self) -> np.dtype[Any]:
        """The base's precision."""
        return self.base.dtype

    @property
    def shape(self) -> tuple[int, int]:
        return len(self.base) + len(self.later), self.base.shape[1] + self.apart

    @property
    def again(self) -> NDArray[np.intp]:
        """Where the base's columns stand in the rows that come once more."""
        width = self.base.shape[1]
        return np.concatenate([np.arange(width, width + self.apart), np.arange(self.apart, width)])

    def __len__(self) -> int:
        return self.shape[0]

    def products(self, by: Floats) -> Iterator[tuple[slice, Floats]]:
        yield from products(self.base, by[: self.base.shape[1]])
        size, ends = len(self.base), np.append(self.later, len(self.base))
        for part, found in products(self.base, by[self.again]):
            start, stop = np.searchsorted(ends, (part.start, part.stop))
            stop = min(int(stop), len(self.later))
            yield slice(size + int(start), size + stop), found[self.later[start:stop] - part.start]

    def product(self, by: Floats) -> Numbers:
        first = product(self.base, by[: self.base.shape[1]])
        return np.concatenate([first, product(self.base, by[self.again])[self.later]])

    def crossed(self, by: Floats) -> Numbers:
        first, again = self._halves(by)
        found = np.zeros((self.shape[1], *by.shape[1:]))
        found[: self.base.shape[1]] = crossed(self.base, first)
        found[self.again] += crossed(self.base, again)
        return found

    def squared(self, weight: Floats) -> Numbers:
        first, again = self._halves(weight)
        found = np.zeros((self.shape[1], self.shape[1]))
        found[: self.base.shape[1], : self.base.shape[1]] = squared(self.base, first)
        found[np.ix_(self.again, self.again)] += squared(self.base, again)
        return found

    def summed(self, place: Places, places: int, weight: Floats) -> Numbers:
        (first, again), rows = self._halves(weight), len(self.base)
        where = np.zeros(rows, dtype=np.int64)
        where[self.later] = place[rows:]
        found = np.zeros((places, self.shape[1]))
        found[:, : self.base.shape[1]] = summed(self.base, place[:rows], places, first)
        found[:, self.again] += summed(self.base, where, places, again)
        return found

    def _halves(self, by: Floats) -> tuple[Floats, Floats]:
        """What belongs to the first rows, and to the rows once more in the base's own places."""
        again = np.zeros((len(self.base), *by.shape[1:]), dtype=by.dtype)
        again[self.later] = by[len(self.base) :]
        return by[: len(self.base)], again


Matrix = Base | Joined | Below


def product(x: Matrix, by: Floats) -> Numbers:
    """x times a vector (p) or a matrix (p × k): n or n × k."""
    if not isinstance(x, np.ndarray):
        return x.product(by)
    by, found = by.astype(x.dtype), np.empty((len(x), *by.shape[1:]))

    def told(part: slice) -> None:
        found[part] = x[part] @ by

    for _ in of_parts(told, len(x)):
        pass
    return found


def products(x: Matrix, by: Floats) -> Iterator[tuple[slice, Floats]]:
    """The same product, its rows part after part, each with where they stand; left in the matrix's own precision."""
    if not isinstance(x, np.ndarray):
        yield from x.products(by)
        return
    by = by.astype(x.dtype)
    for part in parts_of(len(x)):
        yield part, x[part] @ by


def crossed(x: Matrix, by: Floats) -> Numbers:
    """x' times a vector (n) or a matrix (n × k): p or p × k."""
    if not isinstance(x, np.ndarray):
        return x.crossed(by)
    found = np.zeros((x.shape[1], *by.shape[1:]))
    for own in of_parts(lambda part: x[part].T @ by[part].astype(x.dtype, copy=False), len(x)):
        found += own
    return found


def crossed_parts(x: Base, parts: Iterable[tuple[slice, Numbers]]) -> Numbers:
    """x' times a matrix (n × k) whose rows come part after part, each with where they stand: p × k."""
    if not isinstance(x, np.ndarray):
        return x.crossed_parts(parts)
    return np.asarray(sum(crossed(x[part], rows) for part, rows in parts))


def squared(x: Matrix, weight: Floats | None = None) -> Numbers:
    """x' diag(weight) x, p × p; `weight` one a row, 0 or more, 1 unless given."""
    weight = np.ones(len(x)) if weight is None else weight
    if not isinstance(x, np.ndarray):
        return x.squared(weight)
    found, root = np.zeros((x.shape[1], x.shape[1])), np.sqrt(weight).astype(x.dtype)

    def told(part: slice) -> Floats:
        own = x[part] * root[part, None]
        return np.asarray(own.T @ own)

    for own in of_parts(told, len(x)):
        found += own
    return found


def summed(x: Matrix, place: Places, places: int, weight: Floats) -> Numbers:
    """Weighted rows summed by `place` (one a row, from 0 to places − 1): places × p."""
    if not isinstance(x, np.ndarray):
        return x.summed(place, places, weight)
    found, weight = np.zeros((places, x.shape[1])), weight.astype(x.dtype)
    for part in blocks_of(len(x)):
        own = np.zeros(found.shape, dtype=x.dtype)
        add_at(own, place[part], x[part], weight[part])
        found += own
    return found
