"""A table as a file holds it, before anything is understood: headings, cells, row numbers, lines that did not parse."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

ROW = "__row__"


@dataclass(frozen=True)
class RawTable:
    """One table of one file, unread in meaning.

    `cells` has one column a heading, named by the heading as it stands (a repeated heading gets " (2)", " (3)" …,
    an empty one "column 4" by its place), beside `ROW` (Int64): the row a person sees in that file
    (the spreadsheet's row with heading and titles counted; the line in JSON lines; from 1 in Parquet and databases).
    Columns are String wherever the file is text; Parquet, JSON lines and databases may keep typed columns.
    `broken` has `ROW` (Int64), `text` (String, the line as it stood) and `why` (String): rows that do not parse.
    """

    file: str
    cells: pl.DataFrame
    broken: pl.DataFrame
    sha256: str
    notes: tuple[str, ...] = ()

    @property
    def headings(self) -> list[str]:
        return [name for name in self.cells.columns if name != ROW]

    @property
    def rows_read(self) -> int:
        return self.cells.height + self.broken.height
