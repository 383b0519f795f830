"""Limits on what is read: generous for a workshop's log, and safe against hostile files."""

from __future__ import annotations

from typing import NoReturn

from analysis.errors import UserError

FILE_BYTES = 8 * 2**30
CELL_BYTES = 1_000_000
NAME_CHARACTERS = 200
"""A longer name of a technician, shop, model or bike does not fit into a chart or table."""
COLUMNS = 10_000
ROWS = 20_000_000
LINES_PER_CELL = 200
UNPACKED_BYTES = 2 * 2**30
MAX_UNPACKED_RATIO = 300
UNPACKED_ALWAYS_ALLOWED = 64 * 2**20
BATCH_ROWS = 50_000
BATCH_BYTES = 64 * 2**20
CONNECT_SECONDS = 10
STATEMENT_SECONDS = 600


def check_size(label: str, *, columns: int = 0, rows: int = 0) -> None:
    """Raise a UserError for a table with too many columns or rows."""
    if columns > COLUMNS:
        _refuse_table(label, f"{columns:,} columns", f"at most {COLUMNS:,}")
    if rows > ROWS:
        _refuse_table(label, f"{rows:,} rows", f"at most {ROWS:,}")


def check_bytes(label: str, size: int, limit: int) -> None:
    """Raise a UserError for a table whose texts have more than `limit` bytes in total."""
    if size > limit:
        _refuse_table(label, f"more than {limit:,} bytes of text", f"at most {limit:,}")


def max_unpacked_bytes(size: int) -> int:
    """How many bytes a file of `size` bytes may hold once unpacked."""
    return min(UNPACKED_BYTES, max(UNPACKED_ALWAYS_ALLOWED, MAX_UNPACKED_RATIO * size))


def _refuse_table(label: str, problem: str, expected: str) -> NoReturn:
    raise UserError(
        label, problem, expected, "check that this is the bleed log, and export fewer rows or columns at a time"
    )
