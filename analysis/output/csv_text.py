"""A table as CSV that any program reads: UTF-8, ISO dates, `.` decimals, empty for missing, 12 significant digits."""

from __future__ import annotations

import math
import re
from io import BytesIO
from typing import IO

import polars as pl

RISKY = re.compile(r"^[=+\-@\t\r]")
SPECIAL = re.compile(r'[",;\t\r\n]')
"""In quotes for readers that take another sign for the separator, too: what follows it would be a cell of its own."""
NUMBER = re.compile(r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
DIGITS, MIN_PLAIN, MAX_PLAIN = 12, 1e-4, 1e11
ROWS_AT_ONCE = 200_000


def csv_text(table: pl.DataFrame) -> str:
    """The table's rows under its headings.

    A text that begins with = + - @ tab or carriage return and is not a number gets a leading apostrophe, so that no
    spreadsheet takes it for a formula. NaN and infinity are left empty.
    """
    file = BytesIO()
    write_csv(table, file)
    return file.getvalue().decode()


def write_csv(table: pl.DataFrame, file: IO[bytes]) -> None:
    """Write the same text as UTF-8, a limited number of rows at a time."""
    headings = [_quoted(name) for name in table.columns]
    file.write(f"{','.join(headings)}\n".encode())
    for rows in table.iter_slices(ROWS_AT_ONCE):
        cells = pl.DataFrame([_cells(column) for column in rows])
        cells.write_csv(file, include_header=False, quote_style="never")


def _cells(column: pl.Series) -> pl.Series:
    """Cells as they are written."""
    if column.dtype.is_float():
        return _numbers(column.cast(pl.Float64))
    if column.dtype == pl.Boolean or column.dtype.is_integer():
        return column
    texts = column.cast(pl.String)
    if column.dtype.is_temporal():
        return texts.str.replace(" ", "T", literal=True).str.strip_suffix(".000000")
    risky = texts.str.contains(RISKY.pattern) & ~texts.str.contains(NUMBER.pattern)
    cell = pl.when(risky).then("'" + pl.col(column.name)).otherwise(pl.col(column.name))
    quoted = '"' + cell.str.replace_all('"', '""', literal=True) + '"'
    written = pl.when(cell.str.contains(SPECIAL.pattern)).then(quoted).otherwise(cell)
    return texts.to_frame().select(written.alias(column.name)).to_series()


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if SPECIAL.search(text) else text


def harmless(text: str) -> str:
    """The text as no spreadsheet takes it for a formula."""
    return f"'{text}" if RISKY.match(text) and not NUMBER.match(text) else text


def _numbers(values: pl.Series) -> pl.Series:
    """Twelve significant digits, as Python's `.12g` writes them; a tie in the 13th digit may be rounded either way."""
    text = values.round_sig_figs(DIGITS).cast(pl.String).str.strip_suffix(".0")
    other = (~values.abs().is_between(MIN_PLAIN, MAX_PLAIN, closed="left").fill_null(False)).arg_true()
    return text.scatter(other, [_number(value) for value in values.gather(other)])


def _number(value: float | None) -> str | None:
    """A number that is missing, not finite, 0, or too small or large to be written without an exponent."""
    if value is None or not math.isfinite(value):
        return None
    return f"{value:.{DIGITS}g}".removeprefix("-" if value == 0 else "")
