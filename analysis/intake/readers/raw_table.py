"""Tables as they are in the files: headings, cells and row numbers, before a map gives them a meaning."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import polars as pl

from analysis.intake.convert.cleaned_text import normalise
from analysis.intake.readers.limits import CELL_BYTES

ROW = "__row__"


@dataclass(frozen=True)
class RawTable:
    """One table of a file.

    `cells` has `ROW` (Int64) and one column for each heading. A repeated heading is numbered ("n (2)"), an empty one
    is named by its position ("column 4"). Columns are String if the file is text, otherwise they may keep their type.
    `ROW` is the row number shown by a spreadsheet program, the line of a JSON lines file, or a count from 1.
    `broken` has the rows that cannot be read: `ROW`, `text` (the row in the file) and `reason`.
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


@dataclass(frozen=True)
class SkippedFile:
    """A file, sheet or table that was not read, and the reason."""

    file: str
    reason: str


@dataclass(frozen=True)
class RawTables:
    """The tables of one or more exports, in the order given (a folder: by name), and the files that were skipped."""

    tables: tuple[RawTable, ...]
    skipped: tuple[SkippedFile, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class ReadingHint:
    """How a map wants text files with certain headings to be read.

    Parameters
    ----------
    encoding
        A text encoding, e.g. "cp1252"; None: found from the bytes.
    delimiter
        The character between two cells; None: found from the text.
    short_rows
        Whether a row with fewer cells than headings is completed with empty cells instead of being rejected.
    headings
        The headings a file must have, as written in the map.
    """

    encoding: str | None = None
    delimiter: str | None = None
    short_rows: bool = False
    headings: frozenset[str] = frozenset()

    def fits(self, headings: Iterable[str]) -> bool:
        """Whether all headings of the hint are among these, ignoring case, outer spaces, and hyphens for spaces."""
        return {normalise(heading) for heading in self.headings} <= {normalise(heading) for heading in headings}


def unparsed_rows(rows: Iterable[tuple[int, str, str]] = ()) -> pl.DataFrame:
    """The `broken` of a RawTable from row numbers, the rows' text, and the reasons."""
    return pl.DataFrame(list(rows), schema={ROW: pl.Int64, "text": pl.String, "reason": pl.String}, orient="row")


def reject_long_cells(table: RawTable) -> RawTable:
    """Move rows with a cell longer than `limits.CELL_BYTES` to the broken rows, as lines of CSV."""
    too_long = table.cells.select((pl.col(pl.String).str.len_bytes() > CELL_BYTES).fill_null(False))
    columns = [name for name in too_long.columns if too_long[name].any()]
    if not columns:
        return table
    is_rejected = too_long.select(pl.any_horizontal(columns)).to_series()
    rejected = table.cells.filter(is_rejected)
    lines = (row.write_csv(include_header=False).removesuffix("\n") for row in rejected.drop(ROW).iter_slices(1))
    reasons = (_long_cells(row.select(columns)) for row in rejected.iter_slices(1))
    broken = pl.concat([table.broken, unparsed_rows(zip(rejected[ROW], lines, reasons, strict=True))]).sort(ROW)
    return replace(table, cells=table.cells.filter(~is_rejected), broken=broken)


def _long_cells(row: pl.DataFrame) -> str:
    sizes = row.select(pl.all().str.len_bytes()).to_dicts()[0]
    cells = (f"{name[:60]!r} has {size:,} bytes" for name, size in sizes.items() if (size or 0) > CELL_BYTES)
    return f"the cell under {', '.join(cells)}; at most {CELL_BYTES:,} are read per cell"
