"""Small raw tables for tests, drawn column by column."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.intake import ROW, RawTable

NOTHING_BROKEN = {ROW: pl.Int64, "text": pl.String, "why": pl.String}


def raw(columns: dict[str, Any], file: str = "export.csv") -> RawTable:
    """A file of those columns; its first row is the spreadsheet's second."""
    height = len(next(iter(columns.values())))
    rows = pl.Series(ROW, range(2, height + 2), dtype=pl.Int64)
    return RawTable(file, pl.DataFrame({ROW: rows, **columns}), pl.DataFrame(schema=NOTHING_BROKEN), "")
