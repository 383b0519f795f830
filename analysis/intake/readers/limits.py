"""How much is read at most: generous for a workshop's log, and small enough that a hostile file does no harm."""

from __future__ import annotations

from typing import NoReturn

from analysis.errors import UserError

FILE_BYTES = 8 * 2**30
CELL_BYTES = 1_000_000
"""A row with a longer cell is rejected."""
NAME_CHARACTERS = 200
"""A longer name of a technician, shop, model or bike is no name, and no chart or table can show it."""
COLUMNS = 10_000
ROWS = 20_000_000
LINES_OF_A_CELL = 200
UNPACKED_BYTES = 2 * 2**30
UNPACKED_FOR_EACH_BYTE = 300
UNPACKED_ALWAYS_ALLOWED = 64 * 2**20
BATCH_ROWS = 50_000
BATCH_BYTES = 64 * 2**20
CONNECT_SECONDS = 10
STATEMENT_SECONDS = 600


def check_size(label: str, *, columns: int = 0, rows: int = 0) -> None:
    """Refuse a table past a limit."""
    if columns > COLUMNS:
        _refuse(label, f"{columns:,} columns", f"at most {COLUMNS:,}")
    if rows > ROWS:
        _refuse(label, f"{rows:,} rows", f"at most {ROWS:,}")


def check_bytes(label: str, size: int, limit: int) -> None:
    """Refuse a table whose texts are larger in all than `limit` bytes."""
    if size > limit:
        _refuse(label, f"more than {limit:,} bytes of text", f"at most {limit:,}")


def most_unpacked(size: int) -> int:
    """Bytes that a file of `size` bytes may hold once read."""
    return min(UNPACKED_BYTES, max(UNPACKED_ALWAYS_ALLOWED, UNPACKED_FOR_EACH_BYTE * size))


def _refuse(label: str, problem: str, expected: str) -> NoReturn:
    raise UserError(
        label, problem, expected, "check that this is the bleed log, and export fewer rows or columns at a time"
    )
