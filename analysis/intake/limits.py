"""How much is read at most: generous for a workshop's log, and small enough that a hostile file does no harm."""

from __future__ import annotations

from typing import NoReturn

import polars as pl

from analysis.errors import CannotRun

FILE_BYTES = 8 * 2**30
CELL_BYTES = 1_000_000
COLUMNS = 10_000
ROWS = 20_000_000
LINES_OF_A_CELL = 200
UNPACKED_BYTES = 2 * 2**30
UNPACKED_FOR_EACH_BYTE = 300
UNPACKED_ALWAYS_ALLOWED = 64 * 2**20
BATCH_ROWS = 50_000
CONNECT_SECONDS = 10
STATEMENT_SECONDS = 600


def check_size(label: str, *, columns: int = 0, rows: int = 0, cell_bytes: int = 0) -> None:
    """Refuse a table past a limit."""
    if columns > COLUMNS:
        _refuse(label, f"{columns:,} columns", f"at most {COLUMNS:,}")
    if rows > ROWS:
        _refuse(label, f"{rows:,} rows", f"at most {ROWS:,}")
    if cell_bytes > CELL_BYTES:
        _refuse(label, f"a cell of {cell_bytes:,} bytes", f"at most {CELL_BYTES:,} in a cell")


def longest_cell(cells: pl.DataFrame) -> int:
    """The bytes of the longest text cell."""
    texts = cells.select(pl.col(pl.String).str.len_bytes().max())
    return max((length or 0 for length in texts.row(0)), default=0) if texts.width and texts.height else 0


def _refuse(label: str, found: str, expected: str) -> NoReturn:
    raise CannotRun(
        label, found, expected, "check that this is the bleed log, and export fewer rows or columns at a time"
    )
