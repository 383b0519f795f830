"""Fields of a feature table as numpy arrays, converted once per field."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
NOT_RECORDED = -1


@dataclass(frozen=True)
class Categories:
    """Codes of a text field: position in `levels` (sorted), -1 where not recorded."""

    levels: tuple[str, ...]
    codes: NDArray[np.int32] = field(repr=False)

    def equal(self, level: str) -> NDArray[np.bool_]:
        if level not in self.levels:
            return np.zeros(len(self.codes), dtype=bool)
        return np.asarray(self.codes == self.levels.index(level))


class FeatureTable:
    def __init__(self, table: pl.DataFrame) -> None:
        self.table = table
        self.height = table.height
        self._numbers: dict[str, FloatArray] = {}
        self._words: dict[str, Categories] = {}

    def numbers(self, name: str) -> FloatArray:
        """Numbers or flags (n), NaN where not recorded; read-only."""
        if name not in self._numbers:
            self._numbers[name] = self.table.get_column(name).cast(pl.Float64).to_numpy()
        return self._numbers[name]

    def categories(self, name: str) -> Categories:
        if name not in self._words:
            column = self.table.get_column(name).cast(pl.String)
            levels = column.drop_nulls().unique().sort()
            codes = column.cast(pl.Enum(levels)).to_physical().cast(pl.Int32).fill_null(NOT_RECORDED)
            self._words[name] = Categories(tuple(levels.to_list()), codes.to_numpy())
        return self._words[name]

    def unrecorded(self, name: str) -> NDArray[np.bool_]:
        column = self.table.get_column(name)
        return np.asarray(column.is_null().to_numpy()) if column.dtype == pl.String else np.isnan(self.numbers(name))

    def with_numbers(self, name: str, values: FloatArray) -> FeatureTable:
        """Copy with one more number field."""
        return FeatureTable(self.table.with_columns(pl.Series(name, values)))
