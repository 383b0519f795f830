"""Small raw tables for tests, given column by column."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.intake import ROW, RawTable

BROKEN_ROWS = {ROW: pl.Int64, "text": pl.String, "reason": pl.String}


def raw(columns: dict[str, Any], file: str = "export.csv") -> RawTable:
    """A file of these columns; its first row of data is row 2."""
    height = len(next(iter(columns.values())))
    rows = pl.Series(ROW, range(2, height + 2), dtype=pl.Int64)
    return RawTable(file, pl.DataFrame({ROW: rows, **columns}), pl.DataFrame(schema=BROKEN_ROWS), "")
