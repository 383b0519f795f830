"""A table as CSV that any program reads: UTF-8, ISO dates, `.` decimals, empty for missing, 12 significant digits."""

from __future__ import annotations

import math
import re

import polars as pl

RISKY = re.compile(r"^[=+\-@\t\r]")
SPECIAL = re.compile(r'[",\r\n]')
NUMBER = re.compile(r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")


def csv_text(table: pl.DataFrame) -> str:
    """The table's rows under its headings.

    A text that begins with = + - @ tab or carriage return and is no number gets a leading apostrophe, so that no
    spreadsheet takes it for a formula. NaN and infinity are never written: they are empty.
    """
    columns = [_cells(table.get_column(name)) for name in table.columns]
    lines = [table.columns, *zip(*columns, strict=True)]
    return "".join(",".join(map(_quoted, line)) + "\n" for line in lines)


def _quoted(cell: str) -> str:
    """In quotes where a reader would else see another cell or line; a bare carriage return is a line to many."""
    return '"' + cell.replace('"', '""') + '"' if SPECIAL.search(cell) else cell


def _cells(column: pl.Series) -> list[str]:
    if column.dtype.is_float():
        return ["" if v is None or not math.isfinite(v) else _number(v) for v in column]
    if column.dtype == pl.Boolean:
        return ["" if v is None else "true" if v else "false" for v in column]
    if column.dtype == pl.String:
        return ["" if v is None else harmless(v) for v in column]
    return ["" if v is None else v.isoformat() if hasattr(v, "isoformat") else str(v) for v in column]


def harmless(text: str) -> str:
    """The text as no spreadsheet takes it for a formula."""
    return f"'{text}" if RISKY.match(text) and not NUMBER.match(text) else text


def _number(value: float) -> str:
    text = f"{value:.12g}"
    return "0" if text == "-0" else text
