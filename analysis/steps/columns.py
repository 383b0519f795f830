"""Columns of a design kept small, a byte a bleed or one value a level, and made as numbers some rows at a time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from analysis.regression import Base, Factor, Grouped, parts_of

Numbers = NDArray[np.float64]
GROUPED_FROM = 50_000
"""Of more bleeds than this the columns that follow from a word are kept a row a level (`Grouped`)."""
MOST_LEVELS, LOOKED_THROUGH = 3_000, 1_000_000
"""Words are put together into one as long as no more levels than this come of it, looked for among so many at most."""


@dataclass(frozen=True, eq=False)
class Levels:
    """Which level each bleed is of: a small number from 0 a bleed."""

    codes: NDArray[np.integer]

    @cached_property
    def bleeds(self) -> NDArray[np.int64]:
        """Of each level."""
        return np.bincount(self.codes)

    def __len__(self) -> int:
        return len(self.bleeds)


@dataclass(frozen=True)
class ByLevel:
    """A column of which each level has one value."""

    levels: Levels
    values: Numbers

    def __call__(self, part: slice) -> Numbers:
        return self.values[self.levels.codes[part]]

    @property
    def mean(self) -> float:
        """Over all bleeds."""
        return float(self.levels.bleeds @ self.values / max(len(self.levels.codes), 1))

    @property
    def varies(self) -> bool:
        """Whether not every bleed has the same."""
        return len(set(self.values[self.levels.bleeds > 0].tolist())) > 1


Own = Callable[[slice], NDArray[np.floating] | NDArray[np.bool_]]
"""Some rows of a column in which each bleed has a value of its own."""
Column = Own | ByLevel


@dataclass(frozen=True)
class Part:
    """Columns of one kind that share a ridge, one a name; `means` one a name, where they are known."""

    names: Sequence[str]
    columns: Sequence[Column]
    penalty: float
    pooled: bool = False
    means: Numbers | None = None

    def mean(self, rows: int) -> Numbers:
        """Over so many rows, one a column; summed row by row, wherever chunks end."""
        if self.means is not None:
            return self.means
        found = np.array([column.mean if isinstance(column, ByLevel) else 0.0 for column in self.columns])
        own = {place: column for place, column in enumerate(self.columns) if not isinstance(column, ByLevel)}
        total = np.zeros((1, len(own)))
        for part in parts_of(rows) if own else ():
            there = np.column_stack([column(part) for column in own.values()])
            total = np.vstack([total, there]).sum(axis=0, keepdims=True, dtype=float)
        found[list(own)] = total[0] / max(rows, 1)
        return found


def grouped(names: Sequence[str], groups: Numbers, levels: Levels, penalty: float, pooled: bool = False) -> Part:
    """Columns of which each level has one row (`groups`, levels × names); none without names."""
    return Part(names, [ByLevel(levels, groups[:, place]) for place in range(len(names))], penalty, pooled)


def ticks(levels: Levels) -> list[Column]:
    """A column for every level but the first: 1 where a bleed is of it, else 0."""
    return [ByLevel(levels, one) for one in np.eye(len(levels))[1:]]


def ticked(yes: NDArray[np.bool_]) -> Column:
    """1 where it is so, else 0."""
    return ByLevel(Levels(yes.view(np.uint8)), np.arange(2.0)[: 1 + int(yes.any())])


def standardised(values: Numbers) -> list[Column]:
    """Two columns of a reading, one a bleed: over its spread, 0 where not recorded (NaN); and where that is."""
    centre, spread = np.nanmean(values), np.nanstd(values)
    return [lambda part: np.nan_to_num((values[part] - centre) / spread), ticked(np.isnan(values))]


def varying(names: Sequence[str], columns: Sequence[Column], rows: int, penalty: float) -> Part:
    """Those columns that are not the same in every one of so many rows."""
    kept = [i for i, column in enumerate(columns) if _varies(column, rows)]
    return Part([names[i] for i in kept], [columns[i] for i in kept], penalty)


def _varies(column: Column, rows: int) -> bool:
    return column.varies if isinstance(column, ByLevel) else bool(column(slice(0, rows)).std() > 0)


def centred(parts: Sequence[Part], rows: int, kind: type[np.floating]) -> Callable[[slice], Base]:
    """What makes some of so many rows: rows × all parts' columns, beside one another, less their means, in this precision."""
    columns = [column for part in parts for column in part.columns]
    means = np.concatenate([part.mean(rows) for part in parts])
    if rows <= GROUPED_FROM:
        return partial(_made, columns, means, kind)
    own = np.array([i for i, column in enumerate(columns) if not isinstance(column, ByLevel)], dtype=np.int64)
    made, factors = partial(_made, [columns[i] for i in own], means[own], kind), _factors(parts, columns, means)
    return lambda some: Grouped(made(some), own, tuple(factor.part(some) for factor in factors))


def _made(columns: Sequence[Column], means: Numbers, kind: type[np.floating], rows: slice) -> NDArray[np.floating]:
    x = np.empty((rows.stop - rows.start, len(columns)), dtype=kind)
    for own in parts_of(len(x)):
        for place, column in enumerate(columns):
            x[own, place] = column(slice(rows.start + own.start, rows.start + own.stop)) - means[place]
    return x


@dataclass(frozen=True)
class _Together:
    """Several words as one: each bleed's level, and of each level which of every word's it is."""

    words: tuple[Levels, ...]
    codes: NDArray[np.int64]
    levels: tuple[NDArray[np.int64], ...]

    def __len__(self) -> int:
        return len(self.levels[0])


def _alone(word: Levels) -> _Together:
    return _Together((word,), word.codes.astype(np.int64), (np.arange(len(word)),))


def _joined(one: _Together, other: _Together) -> _Together | None:
    """Both as one, only levels that some bleed is of; None where they are too many."""
    if len(one) * len(other) > LOOKED_THROUGH:
        return None
    codes = one.codes * len(other) + other.codes
    there = np.bincount(codes, minlength=len(one) * len(other)) > 0
    kept = np.flatnonzero(there)
    if len(kept) > MOST_LEVELS:
        return None
    levels = (*(own[kept // len(other)] for own in one.levels), *(own[kept % len(other)] for own in other.levels))
    return _Together((*one.words, *other.words), (np.cumsum(there) - 1)[codes], levels)


def _factors(parts: Sequence[Part], columns: Sequence[Column], means: Numbers) -> list[Factor]:
    """The columns that follow from words; words, those of one part first, are put together while few levels come of it."""
    at: dict[Levels, list[int]] = {}
    for place, column in enumerate(columns):
        if isinstance(column, ByLevel):
            at.setdefault(column.levels, []).append(place)
    factors: list[_Together] = []
    left = set(at)
    for part in parts:
        own: list[_Together] = []
        for column in part.columns:
            if isinstance(column, ByLevel) and column.levels in left:
                left.remove(column.levels)
                _put(own, _alone(column.levels))
        for one in own:
            _put(factors, one)
    return [_factor(one, at, columns, means) for one in factors]


def _put(factors: list[_Together], more: _Together) -> None:
    """Into the first of them that it goes together with, else beside them."""
    for place, one in enumerate(factors):
        if both := _joined(one, more):
            factors[place] = both
            return
    factors.append(more)


def _factor(one: _Together, at: dict[Levels, list[int]], columns: Sequence[Column], means: Numbers) -> Factor:
    places = [(place, levels) for word, levels in zip(one.words, one.levels, strict=True) for place in at[word]]
    rows = [columns[place].values[levels] - means[place] for place, levels in places]  # type: ignore[union-attr]
    return Factor(one.codes, np.column_stack(rows), np.array([place for place, _ in places]))
