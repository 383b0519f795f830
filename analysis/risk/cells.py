"""A table of features as plain arrays, each field read once however many columns are made of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
Rows = NDArray[np.intp] | slice
"""Places, or a run of them from the first to before the last."""
NOT_RECORDED = -1


@dataclass(frozen=True)
class Words:
    """A field of words: `place` of each bleed's word in `levels` (sorted), -1 where not recorded."""

    levels: tuple[str, ...]
    place: NDArray[np.int32] = field(repr=False)

    def are(self, level: str) -> NDArray[np.bool_]:
        """Where the word is this one."""
        if level not in self.levels:
            return np.zeros(len(self.place), dtype=bool)
        return np.asarray(self.place == self.levels.index(level))


class Cells:
    """The fields of bleeds; what is read of the table is kept."""

    def __init__(self, table: pl.DataFrame) -> None:
        self.table = table
        self.height = table.height
        self._numbers: dict[str, Numbers] = {}
        self._words: dict[str, Words] = {}

    @property
    def fields(self) -> set[str]:
        """What can be asked for."""
        return {*self.table.columns, *self._numbers}

    def numbers(self, name: str) -> Numbers:
        """A field of numbers or ticks; NaN where not recorded. Not to be written to."""
        if name not in self._numbers:
            column = self.table.get_column(name).cast(pl.Float64)
            self._numbers[name] = (column.fill_null(float("nan")) if column.null_count() else column).to_numpy()
        return self._numbers[name]

    def words(self, name: str) -> Words:
        """A field of words."""
        if name not in self._words:
            column = self.table.get_column(name).cast(pl.String)
            levels = column.drop_nulls().unique().sort()
            place = column.cast(pl.Enum(levels)).to_physical().cast(pl.Int32).fill_null(NOT_RECORDED)
            self._words[name] = Words(tuple(levels.to_list()), place.to_numpy())
        return self._words[name]

    def unrecorded(self, name: str) -> NDArray[np.bool_]:
        """Where a field is empty."""
        if name in self._numbers or self.table.schema[name] != pl.String:
            return np.isnan(self.numbers(name))
        return np.asarray(self.table.get_column(name).is_null().to_numpy())

    def some(self, rows: Rows) -> Cells:
        """Some of the bleeds, read from these; `table` stays that of them all."""
        return _Some(self, rows)

    def beside(self, told: dict[str, Numbers]) -> Cells:
        """The same with fields of numbers more; what was read is shared."""
        both = Cells(self.table)
        both._numbers = {**self._numbers, **told}
        both._words = self._words
        return both


def in_parts(bleeds: pl.DataFrame | Cells, size: int) -> Iterator[Cells]:
    """Cells of so many bleeds at a time; at least one part."""
    whole = bleeds if isinstance(bleeds, Cells) else Cells(bleeds)
    if whole.height <= size:
        yield whole
        return
    for start in range(0, whole.height, size):
        yield whole.some(slice(start, min(start + size, whole.height)))


class _Some(Cells):
    """Rows of other cells."""

    def __init__(self, whole: Cells, rows: Rows) -> None:
        super().__init__(whole.table)
        self.height = rows.stop - rows.start if isinstance(rows, slice) else len(rows)
        self._whole, self._rows = whole, rows

    def numbers(self, name: str) -> Numbers:
        if name not in self._numbers:
            self._numbers[name] = self._whole.numbers(name)[self._rows]
        return self._numbers[name]

    def words(self, name: str) -> Words:
        if name not in self._words:
            whole = self._whole.words(name)
            self._words[name] = Words(whole.levels, whole.place[self._rows])
        return self._words[name]

    def unrecorded(self, name: str) -> NDArray[np.bool_]:
        if name in self._numbers:
            return np.isnan(self._numbers[name])
        return self._whole.unrecorded(name)[self._rows]

    def beside(self, told: dict[str, Numbers]) -> Cells:
        both = _Some(self._whole, self._rows)
        both._numbers, both._words = {**self._numbers, **told}, self._words
        return both
