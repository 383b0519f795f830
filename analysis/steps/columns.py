"""Columns of a design kept small, a byte a bleed or one row a group, and made as numbers some rows at a time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from analysis.regression import parts_of

Numbers = NDArray[np.float64]
Rows = Callable[[slice], NDArray[np.floating] | NDArray[np.bool_]]
Column = Rows
"""Some rows of one column."""


@dataclass(frozen=True)
class Part:
    """Columns of one kind that share a ridge: `rows` makes some rows of them, one column a name; `means` one a name, where
    they are known."""

    names: Sequence[str]
    rows: Rows
    penalty: float
    pooled: bool = False
    means: Numbers | None = None

    def mean(self, rows: int) -> Numbers:
        """Over so many rows, one a column; summed row by row, wherever chunks end."""
        if self.means is not None:
            return self.means
        total = np.zeros((1, len(self.names)))
        for part in parts_of(rows):
            total = np.vstack([total, self.rows(part)]).sum(axis=0, keepdims=True, dtype=float)
        return total[0] / max(rows, 1)


def beside(names: Sequence[str], columns: Sequence[Column], penalty: float) -> Part:
    """Columns of their own beside one another, one a name."""

    def rows(part: slice) -> Numbers:
        found = np.empty((part.stop - part.start, len(columns)))
        for place, column in enumerate(columns):
            found[:, place] = column(part)
        return found

    return Part(names, rows, penalty)


def grouped(
    names: Sequence[str], groups: Numbers, by: NDArray[np.integer], penalty: float, pooled: bool = False
) -> Part:
    """Columns of which each group has one row (`groups`, groups × names), each bleed its group's (`by`); none without names."""
    kept = groups if names else np.zeros((len(groups), 0))
    means = np.bincount(by, minlength=len(kept)) @ kept / max(len(by), 1)
    return Part(names, lambda part: kept[by[part]], penalty, pooled, means)


def tick(codes: NDArray[np.integer], level: int) -> Column:
    """1 where a bleed's level is this one, else 0."""
    return lambda part: codes[part] == level


def standardised(values: Numbers) -> list[Column]:
    """Two columns of a reading, one a bleed: over its spread, 0 where not recorded (NaN); and where that is."""
    centre, spread = np.nanmean(values), np.nanstd(values)
    return [
        lambda part: np.nan_to_num((values[part] - centre) / spread),
        lambda part: np.isnan(values[part]),
    ]


def varying(names: Sequence[str], columns: Sequence[Column], rows: int, penalty: float) -> Part:
    """Those columns that are not the same in every one of so many rows."""
    kept = [i for i, column in enumerate(columns) if column(slice(0, rows)).std() > 0]
    return beside([names[i] for i in kept], [columns[i] for i in kept], penalty)


def centred(parts: Sequence[Part], rows: int, kind: type[np.floating]) -> Callable[[slice], NDArray[np.floating]]:
    """What makes some of so many rows: rows × all parts' columns, beside one another, less their means, in this precision."""
    return partial(_made, parts, [part.mean(rows) for part in parts], kind)


def _made(
    parts: Sequence[Part], means: Sequence[Numbers], kind: type[np.floating], rows: slice
) -> NDArray[np.floating]:
    x = np.empty((rows.stop - rows.start, sum(len(mean) for mean in means)), dtype=kind)
    for own in parts_of(rows.stop - rows.start):
        asked, stop = slice(rows.start + own.start, rows.start + own.stop), 0
        for part, mean in zip(parts, means, strict=True):
            start, stop = stop, stop + len(mean)
            x[own, start:stop] = part.rows(asked) - mean
    return x
