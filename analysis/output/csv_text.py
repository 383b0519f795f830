"""A table as CSV that any program reads: UTF-8, ISO dates, `.` decimals, empty for missing, 12 significant digits."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from io import BytesIO

import numpy as np
import polars as pl

RISKY = re.compile(r"^[=+\-@\t\r]")
SPECIAL = re.compile(r'[",;\t\r\n]')
"""In quotes for readers that take another sign for the separator, too: what follows it would be a cell of its own."""
DIGITS, LEAST_PLAIN, MOST_PLAIN = 12, 1e-4, 1e11
AT_ONCE = 200_000
"""Rows."""
NUMBER = re.compile(r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")


def csv_text(table: pl.DataFrame) -> str:
    """The table's rows under its headings.

    A text that begins with = + - @ tab or carriage return and is no number gets a leading apostrophe, so that no
    spreadsheet takes it for a formula. NaN and infinity are never written: they are empty.
    """
    return b"".join(csv_parts(table)).decode()


def csv_parts(table: pl.DataFrame) -> Iterator[bytes]:
    """The same text as UTF-8, so many rows at a time."""
    heading = ",".join('"' + name.replace('"', '""') + '"' if SPECIAL.search(name) else name for name in table.columns)
    yield f"{heading}\n".encode()
    for rows in table.iter_slices(AT_ONCE):
        cells = pl.DataFrame([_cells(rows.get_column(name)).alias(name) for name in table.columns])
        text = BytesIO()
        cells.write_csv(text, include_header=False, quote_style="never")
        yield text.getvalue()


def _cells(column: pl.Series) -> pl.Series:
    if column.dtype.is_float():
        return _numbers(column)
    if column.dtype == pl.Boolean or column.dtype.is_integer():
        return column.cast(pl.String).fill_null("")
    if column.dtype.is_temporal():
        return pl.Series(["" if v is None else v.isoformat() for v in column.to_list()], dtype=pl.String)
    texts = column.cast(pl.String).fill_null("")
    if texts.str.contains(RISKY.pattern).any():
        texts = texts.to_frame("cell").select(_harmless(pl.col("cell"))).to_series()
    special = texts.str.contains(SPECIAL.pattern)
    if special.any():
        texts = texts.to_frame("cell").select(_quoted(pl.col("cell"), special)).to_series()
    return texts


def _quoted(cell: pl.Expr, special: pl.Series) -> pl.Expr:
    """In quotes where a reader would else see another cell or line; a bare carriage return is a line to many."""
    within = cell.str.replace_all('"', '""', literal=True)
    return pl.when(special).then('"' + within + '"').otherwise(cell)


def _harmless(cell: pl.Expr) -> pl.Expr:
    risky = cell.str.contains(RISKY.pattern) & ~cell.str.contains(NUMBER.pattern)
    return pl.when(risky).then(pl.format("'{}", cell)).otherwise(cell)


def harmless(text: str) -> str:
    """The text as no spreadsheet takes it for a formula."""
    return f"'{text}" if RISKY.match(text) and not NUMBER.match(text) else text


def _numbers(column: pl.Series) -> pl.Series:
    """Twelve significant digits, as Python's `.12g` writes them; half a digit may go either way where a double ends."""
    values = column.cast(pl.Float64).fill_null(float("nan")).to_numpy()
    size = np.abs(values)
    plain = (size >= LEAST_PLAIN) & (size < MOST_PLAIN)
    scale = 10.0 ** (DIGITS - 1 - np.floor(np.log10(np.where(plain, size, 1.0))))
    told = pl.Series(np.rint(np.where(plain, values, 0.0) * scale) / scale).cast(pl.String).str.strip_suffix(".0")
    rest = np.flatnonzero(~plain)
    return told.scatter(rest, [_number(value) for value in values[rest].tolist()])


def _number(value: float) -> str:
    """One that is not finite, 0, or too small or large to be written without an exponent."""
    return f"{value:.{DIGITS}g}".removeprefix("-" if value == 0 else "") if math.isfinite(value) else ""
