"""How far the cells of a workbook's sheet reach: its reader makes room for the whole rectangle, filled or not."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

MAX_CELLS = 30_000_000
"""A rectangle of so many cells is always read: some 1 GB. All 1,048,576 rows of 26 columns are fewer."""
MAX_FOR_EACH_FILLED = 4
_OVERLAP = 256
_WIDE = re.compile(rb"\sr=[\"']([A-Z]{2,3})[0-9]")
_ANY = re.compile(rb"\sr=[\"']([A-Z]{1,3})([0-9]{1,7})[\"']")
_FILLED = re.compile(rb"<(?:\w+:)?c\s[^>]*?\br=[\"']([A-Z]{1,3})([0-9]{1,7})[\"'][^>]*+(?<!/)>")


@dataclass(frozen=True)
class Extent:
    """The rectangle from the first cell of a sheet to its last column and row, and the filled cells in it."""

    columns: int
    rows: int
    filled: int

    @property
    def sparse(self) -> bool:
        """Whether there is far more room than cells to fill it."""
        cells = self.columns * self.rows
        return cells > MAX_CELLS and cells > MAX_FOR_EACH_FILLED * self.filled


def sparse_extent(chunks: Callable[[], Iterable[bytes]]) -> Extent | None:
    """The extent of a sheet of an Excel workbook, if it is sparse.

    Parameters
    ----------
    chunks
        Gives the sheet's XML from its beginning, each time it is called. It is looked through again only where the first
        look leaves a doubt: in a sheet of more than 26 columns.
    """
    if not any(_WIDE.search(part) for part in _overlapping(chunks())):
        return None
    for pattern in (_ANY, _FILLED):  # formatted cells without a value take no room
        extent = _extent(pattern, chunks())
        if not extent.sparse:
            return None
    return extent


def _extent(pattern: re.Pattern[bytes], chunks: Iterable[bytes]) -> Extent:
    columns, rows, filled = {b"@"}, 0, 0
    for part in _overlapping(chunks):
        cells = pattern.findall(part)
        filled += len(cells)
        columns |= {letters for letters, _ in cells}
        rows = max(rows, max((int(row) for row in {row for _, row in cells}), default=0))
    return Extent(max(map(_column, columns)), rows, filled)


def _overlapping(chunks: Iterable[bytes]) -> Iterator[bytes]:
    """The chunks, each after the end of the one before, so that no cell's beginning is cut."""
    end = b""
    for chunk in chunks:
        yield end + chunk
        end = chunk[-_OVERLAP:]


def _column(letters: bytes) -> int:
    """The place of a column from its letters: A is 1, AA is 27."""
    place = 0
    for letter in letters:
        place = 26 * place + letter - 64
    return place
