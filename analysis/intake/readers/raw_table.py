"""A raw table of text cells with the row each came from, and the rows of it that are not data."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

import polars as pl

from analysis.intake.convert.cleaned_text import normalise
from analysis.intake.readers.limits import CELL_BYTES

ROW = "__row__"
_TOTALS = (
    "total|totals|grand total|subtotal|sub total|sum|sums|summe|summen|gesamt|gesamtsumme|zwischensumme|endsumme|somme|total général|totale|"
    "suma|soma|totaal|average|mean|durchschnitt|mittelwert|moyenne|count|anzahl"
)
# All patterns are possessive: backtracking over a cell of a million characters would take hours.
_TOTALS_CELL = re.compile(rf"\s*+(?:{_TOTALS})\s*+[:.]?+\s*+", re.IGNORECASE)
_COUNT_CELL = re.compile(
    r"\s*+\(?+\s*+\d++\s++(?:rows?|records?|lines?|zeilen?|datensätze?|lignes?|enregistrements?|filas?|righe|rijen)"
    r"(?:\s++(?:selected|affected|returned|in set))?+\s*+\)?+\s*+\.?+\s*+",
    re.IGNORECASE,
)
_DASHES_CELL = re.compile(r"\s*+[-=_+|]{3}[-=_+|\s]*+")
_NUMBER_CELL = re.compile(r"\s*+[-+]?+(?=[.,'’\s]*+\d)[\d.,'’\s]*+(?:%|€|\$|£|\w{1,3}+)?+\s*+")
_VALUE_CELL = re.compile(
    r"\s*+(?:[-+]?+(?=[.,]*+\d)[\d.,]*+|\d{1,4}[-./]\d{1,2}[-./]\d{1,4}(?:[T ].*+)?+|true|false)\s*+", re.IGNORECASE
)
_MAX_HEADING_ROW = 60
_MAX_LISTED_ROWS = 5
_REPEATED = re.compile(r"(.+) \(\d+\)", re.DOTALL)
MAY_BE_NON_DATA = rf"(?i)^['(]*(?:(?:{_TOTALS})\b|\d+\s+[a-zä]|[-=_+|]{{3}})"
"""Fits every non-data line without its leading delimiters, spaces and quotation marks, and some rows of data."""


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
    reasons = (_long_cells_text(row.select(columns)) for row in rejected.iter_slices(1))
    broken = pl.concat([table.broken, unparsed_rows(zip(rejected[ROW], lines, reasons, strict=True))]).sort(ROW)
    return replace(table, cells=table.cells.filter(~is_rejected), broken=broken)


def _long_cells_text(row: pl.DataFrame) -> str:
    sizes = row.select(pl.all().str.len_bytes()).to_dicts()[0]
    cells = (f"{name[:60]!r} has {size:,} bytes" for name, size in sizes.items() if (size or 0) > CELL_BYTES)
    return f"the cell under {', '.join(cells)}; at most {CELL_BYTES:,} are read per cell"


def drop_repeated_heading_rows(table: RawTable) -> RawTable:
    """Leave out rows that repeat the headings, as printed lists and joined files do; a note says which."""
    texts = {name: heading_as_written(name, table.headings) for name in table.cells.select(pl.col(pl.String)).columns}
    if len(texts) < 2:
        return table
    first = next(iter(texts))
    may_repeat = (table.cells.get_column(first) == texts[first]).fill_null(False)
    if not may_repeat.any():
        return table
    candidates = table.cells.filter(may_repeat)
    same = pl.sum_horizontal(pl.col(name).eq(heading).cast(pl.Int64) for name, heading in texts.items())
    filled = pl.sum_horizontal(pl.col(name).is_not_null().cast(pl.Int64) for name in table.headings)
    rows = candidates.filter((same >= 2) & (same == filled)).get_column(ROW).to_list()
    if not rows:
        return table
    cells = table.cells.filter(~pl.col(ROW).is_in(rows))
    return replace(
        table, cells=cells, notes=(*table.notes, f"headings repeated, not read as data: {row_numbers_text(rows)}")
    )


def row_numbers_text(rows: Sequence[int]) -> str:
    """The first numbers of rows, for a note: "rows 3, 17 and 2 more"."""
    listed = ", ".join(str(row) for row in rows[:_MAX_LISTED_ROWS])
    more = f" and {len(rows) - _MAX_LISTED_ROWS} more" if len(rows) > _MAX_LISTED_ROWS else ""
    return f"row{'s' if len(rows) > 1 else ''} {listed}{more}"


def is_non_data_row(cells: Sequence[str | None]) -> bool:
    """Whether a record below the headings is not data: blank, a total, a row of dashes, or a count of rows.

    A totals line starts with one of the usual words as a whole cell, followed only by numbers and empty cells. So a
    row with a date or a word in it is always data.
    """
    filled = [cell for cell in cells if cell and cell.strip()]
    if not filled:
        return True
    if all(_DASHES_CELL.fullmatch(cell) for cell in filled):
        return True
    if len(filled) == 1 and _COUNT_CELL.fullmatch(filled[0]):
        return True
    if not _TOTALS_CELL.fullmatch(filled[0]):
        return False
    return all(_NUMBER_CELL.fullmatch(cell) for cell in filled[1:]) and len(filled) < len(cells)


def find_heading_row(records: Sequence[Sequence[str | None]], hints: Sequence[ReadingHint] = ()) -> int | None:
    """The index of the record with the headings; None if all are blank.

    It is the first with all headings of a hint; otherwise the first that fills nearly the usual number of cells,
    with a preference for one without numbers and dates among the next ten.
    """
    first_records = list(records[:_MAX_HEADING_ROW])
    for index, cells in enumerate(first_records):
        names = [cell for cell in cells if cell]
        if any(hint.headings and hint.fits(names) for hint in hints):
            return index
    filled = [sum(bool(cell and cell.strip()) for cell in cells) for cells in first_records]
    if not any(filled):
        return None
    width = min(_usual_width(records), max(filled))
    enough = min(0.8 * width, width - 1) if width > 3 else width
    candidates = [index for index, count in enumerate(filled) if count >= enough and count > 0]
    near_first = [index for index in candidates if index <= candidates[0] + 10]
    return next((index for index in near_first if _is_text_row(first_records[index])), candidates[0])


def _usual_width(records: Sequence[Sequence[str | None]]) -> int:
    """The most common number of cells of a record, the largest if several are equally common."""
    widths = Counter(len(cells) for cells in records if any(cell and cell.strip() for cell in cells))
    several = {width: count for width, count in widths.items() if width > 1} or widths
    return max(several, key=lambda width: (several[width], width), default=0)


def make_headings_unique(cells: Sequence[str | None]) -> list[str]:
    """Headings as written; a repeated one is numbered ("n (2)"), an empty one named by its position ("column 4")."""
    used = {ROW}
    copies: dict[str, int] = {}
    names: list[str] = []
    for position, cell in enumerate(cells, start=1):
        heading = cell if cell and cell.strip() else f"column {position}"
        name, copy = heading, copies.get(heading, 1)
        while name in used:
            copy += 1
            name = f"{heading} ({copy})"
        copies[heading] = copy
        used.add(name)
        names.append(name)
    return names


def heading_as_written(heading: str, headings: Collection[str]) -> str:
    """A heading without the number that `make_headings_unique` gave it; one that ends in a number of its own stays."""
    repeated = _REPEATED.fullmatch(heading)
    return repeated[1] if repeated and repeated[1] in headings else heading


def _is_text_row(cells: Sequence[str | None]) -> bool:
    filled = [cell for cell in cells if cell and cell.strip()]
    return not any(_VALUE_CELL.fullmatch(cell) for cell in filled)
