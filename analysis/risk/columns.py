"""Features as numbers: which columns, bent, clipped, centred and scaled how, decided once on what a model learns from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
LEAST_SPREAD = 1e-9
WORDS = ("name", "form", "field", "block", "theme", "level")
TICKS = ("is", "true", "false", "null")
TAIL = 0.005
"""Numbers beyond these quantiles of what was learnt from stand at them: a line is not to be trusted past its data."""


@dataclass(frozen=True)
class Column:
    """One column: `form` of `field` (a level, a number bent, a tick), its `block` and the `theme` it speaks of.

    Forms: `is` (the word is `level`), `true`, `false`, `null` (not recorded), `linear`, `log` (of 1 + x above 0), `root`,
    `beyond` (x less `at`, above 0), `times` (the columns named `field` and `level`).
    """

    name: str
    form: str
    field: str
    block: str
    theme: str
    level: str = ""
    at: float = 0.0


def kept_columns(columns: Sequence[Column]) -> dict[str, NDArray]:
    """Columns as two arrays, as a file keeps them: many small objects are slow to keep."""
    words = [[getattr(column, name) for name in WORDS] for column in columns]
    return {
        "words": np.array(words, dtype=np.str_).reshape(len(columns), len(WORDS)),
        "at": np.array([column.at for column in columns], dtype=float),
    }


def columns_kept(kept: dict[str, NDArray]) -> tuple[Column, ...]:
    """The columns that `kept_columns` kept."""
    pairs = zip(kept["words"].tolist(), kept["at"].tolist(), strict=True)
    return tuple(Column(**dict(zip(WORDS, words, strict=True)), at=at) for words, at in pairs)


@dataclass(frozen=True)
class Frozen:
    """Columns with the limits, centre and scale they have in the bleeds they were decided on.

    A tick is centred only, a number divided by its standard deviation too; what is not recorded stands at the centre.
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

    def matrix(self, table: pl.DataFrame) -> Numbers:
        """One row a bleed, one column a `Column`."""
        ready = np.empty((table.height, len(self.columns)))
        place = {column.name: i for i, column in enumerate(self.columns)}
        for i, column in enumerate(self.columns):
            if column.form == "times":
                values = ready[:, place[column.field]] * ready[:, place[column.level]]
            else:
                values = values_of(table, column)
            ready[:, i] = _placed(values, self.lower[i], self.upper[i], self.centre[i], self.scale[i])
        return ready


def frozen(columns: Sequence[Column], table: pl.DataFrame) -> Frozen:
    """Those of the columns that vary in these bleeds, with their limits, centres and scales."""
    kept: list[Column] = []
    figures: list[tuple[float, float, float, float]] = []
    ready: dict[str, Numbers] = {}
    for column in columns:
        if column.form == "times" and not {column.field, column.level} <= ready.keys():
            continue
        product = column.form == "times"
        values = ready[column.field] * ready[column.level] if product else values_of(table, column)
        known = values[np.isfinite(values)]
        if len(known) < 2 or known.std() <= LEAST_SPREAD:
            continue
        tick = column.form in TICKS
        lower, upper = (-np.inf, np.inf) if tick else np.quantile(known, (TAIL, 1 - TAIL))
        known = np.clip(known, lower, upper)
        if known.std() <= LEAST_SPREAD:
            continue
        kept.append(column)
        figures.append((float(lower), float(upper), float(known.mean()), 1.0 if tick else float(known.std())))
        ready[column.name] = _placed(values, *figures[-1])
    lower, upper, centre, scale = np.array(figures).reshape(-1, 4).T
    return Frozen(tuple(kept), lower.copy(), upper.copy(), centre.copy(), scale.copy())


def values_of(table: pl.DataFrame, column: Column) -> Numbers:
    """The column's values before centring; NaN where not recorded (a word not recorded is none of the levels)."""
    cells = table.get_column(column.field)
    if column.form == "null":
        return cells.is_null().to_numpy().astype(float)
    if column.form == "is":
        return cells.eq_missing(column.level).to_numpy().astype(float)
    values = cells.cast(pl.Float64).fill_null(float("nan")).to_numpy()
    return _bent(values, column)


def _bent(values: Numbers, column: Column) -> Numbers:
    if column.form in ("true", "linear"):
        return values
    if column.form == "false":
        return 1 - values
    above = np.maximum(values - column.at, 0.0)
    return {"log": np.log1p, "root": np.sqrt, "beyond": np.positive}[column.form](above)


def _placed(values: Numbers, lower: float, upper: float, centre: float, scale: float) -> Numbers:
    return np.nan_to_num((np.clip(values, lower, upper) - centre) / scale)
