"""Features as numbers: which columns, bent, clipped, centred and scaled how, decided once on what a model learns from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.followup import SINGLE_FROM
from analysis.regression import Floats
from analysis.risk.cells import Cells

Numbers = NDArray[np.float64]
LEAST_SPREAD = 1e-9
WORDS = ("name", "form", "field", "block", "theme", "level")
TICKS, NEVER_EMPTY = ("is", "true", "false", "null"), ("is", "null")
TRUSTED = ("whole", "square", "times")
"""Forms that are kept within all that was seen, not within its `TAIL`s."""
TAIL = 0.005
"""Numbers beyond these quantiles of what was learnt from stand at them: a line is not to be trusted past its data."""


@dataclass(frozen=True)
class Column:
    """One column: `form` of `field` (a level, a number bent, a tick), its `block` and the `theme` it speaks of.

    Forms: `is` (the word is `level`), `true`, `false`, `null` (not recorded), `linear`, `log` (of 1 + x above 0); of a number
    that comes centred and scaled: `whole`, `square`, `times` (the field that `level` names).
    """

    name: str
    form: str
    field: str
    block: str
    theme: str
    level: str = ""


def kept_columns(columns: Sequence[Column]) -> NDArray[np.str_]:
    """Columns as one array, as a file keeps them: many small objects are slow to keep."""
    words = [[getattr(column, name) for name in WORDS] for column in columns]
    return np.array(words, dtype=np.str_).reshape(len(columns), len(WORDS))


def columns_kept(kept: NDArray[np.str_]) -> tuple[Column, ...]:
    """The columns that `kept_columns` kept."""
    return tuple(Column(**dict(zip(WORDS, words, strict=True))) for words in kept.tolist())


@dataclass(frozen=True)
class Frozen:
    """Columns with the limits, centre and scale they have in the bleeds they were decided on.

    A tick is centred only, and so is what comes scaled; a number is divided by its standard deviation too. What is not
    recorded stands at the centre.
    """

    columns: tuple[Column, ...]
    lower: Numbers = field(repr=False)
    upper: Numbers = field(repr=False)
    centre: Numbers = field(repr=False)
    scale: Numbers = field(repr=False)

    def __getstate__(self) -> dict[str, Any]:
        return {**self.__dict__, "columns": kept_columns(self.columns)}

    def __setstate__(self, kept: dict[str, Any]) -> None:
        self.__dict__.update({**kept, "columns": columns_kept(kept["columns"])})

    def matrix(self, cells: Cells) -> Floats:
        """One row a bleed, one column a `Column`, of many bleeds in single precision; a column's values lie side by side."""
        kind = np.float32 if cells.height > SINGLE_FROM else np.float64
        ready: Floats = np.empty((len(self.columns), cells.height), dtype=kind)
        for i, column in enumerate(self.columns):
            values = values_of(cells, column)
            if np.isfinite(self.lower[i]):
                values = np.clip(values, self.lower[i], self.upper[i])
            if self.scale[i] == 1:
                np.subtract(values, self.centre[i], out=ready[i])
            else:
                np.divide(values - self.centre[i], self.scale[i], out=ready[i])
            if column.form not in NEVER_EMPTY:
                np.copyto(ready[i], 0.0, where=np.isnan(ready[i]))
        return ready.T


def frozen(columns: Sequence[Column], cells: Cells) -> Frozen:
    """Those of the columns that vary in these bleeds, with their limits, centres and scales."""
    kept: list[Column] = []
    figures: list[tuple[float, float, float, float]] = []
    for column in columns:
        values = values_of(cells, column)
        known = values if column.form in NEVER_EMPTY else values[np.isfinite(values)]
        if len(known) < 2 or known.std() <= LEAST_SPREAD:
            continue
        if column.form in (*TICKS, *TRUSTED):
            kept.append(column)
            ends = (-np.inf, np.inf) if column.form in TICKS else (float(known.min()), float(known.max()))
            figures.append((*ends, float(known.mean()), 1.0))
            continue
        lower, upper = np.quantile(known, (TAIL, 1 - TAIL))
        known = np.clip(known, lower, upper)
        if known.std() <= LEAST_SPREAD:
            continue
        kept.append(column)
        figures.append((float(lower), float(upper), float(known.mean()), float(known.std())))
    lower, upper, centre, scale = np.array(figures).reshape(-1, 4).T
    return Frozen(tuple(kept), lower.copy(), upper.copy(), centre.copy(), scale.copy())


def values_of(cells: Cells, column: Column) -> NDArray[Any]:
    """The column's values before centring, numbers or ticks; NaN where not recorded (a word not recorded is none of the
    levels)."""
    if column.form == "null":
        return cells.unrecorded(column.field)
    if column.form == "is":
        return cells.words(column.field).are(column.level)
    if column.form == "times":
        return cells.numbers(column.field) * cells.numbers(column.level)
    return _bent(cells.numbers(column.field), column.form)


def _bent(values: Numbers, form: str) -> Numbers:
    if form in ("true", "linear", "whole"):
        return values
    if form == "false":
        return 1 - values
    if form == "square":
        return values**2
    return np.log1p(np.maximum(values, 0.0))
