"""Excel and OpenDocument workbooks: every sheet a table, hidden ones too."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import fastexcel
import polars as pl

from analysis.errors import UserError
from analysis.intake.convert.dates import FIRST_SERIAL, LAST_SERIAL
from analysis.intake.readers import limits
from analysis.intake.readers.archive import cells_are_weighed, counts_from_1904, refuse_hostile_archive
from analysis.intake.readers.library_errors import refusing
from analysis.intake.readers.non_data_rows import SUSPECT, heading_row, is_non_data_row, unique_headings
from analysis.intake.readers.raw_table import ROW, RawTable
from analysis.intake.readers.reading_hint import ReadingHint
from analysis.intake.readers.snapshot import Snapshot
from analysis.intake.readers.unparsed_rows import unparsed_rows

_SAMPLE_ROWS = 300
_MIDNIGHT = r"^(\d{4}-\d\d-\d\d) 00:00:00(?:\.0+)?$"
_TIME_ALONE = r"^1899-12-3[01] (\d\d:\d\d:\d\d(?:\.\d+)?)$"
_CUT_SHORT = r"^-?\d+\.\d{8,9}$"
_HALF_A_NINTH_DECIMAL = 5.1e-10
_WHOLE_BELOW = 2.0**53
DAYS_TO_1904 = 1462
"""From 1899-12-30, from which most workbooks count days, to 1904-01-01."""
_FROM_1904 = (
    "this workbook counts days from 1904, but '{heading}' holds plain numbers: as dates they would be read 4 years too early; "
    "format that column as dates"
)


@dataclass(frozen=True)
class Book:
    """The tables of a workbook in its order, and the labels of its empty sheets."""

    tables: tuple[RawTable, ...]
    empty: tuple[str, ...]


def workbook_tables(
    file: Snapshot,
    hints: Sequence[ReadingHint] = (),
    sheet: str | None = None,
    refuse_deadly: Callable[[], None] = lambda: None,
) -> Book:
    """The table of every sheet that holds anything, in the book's order; labels are `book.xlsx#sheet`.

    A column of nothing but numbers is Int64 or Float64, every other String; a date is ISO text, without a time where it
    has none; a cell with an error is empty. `row` is the row of the sheet.

    Parameters
    ----------
    refuse_deadly
        Refuses a book that is too large for the memory, by another process that reads it first; called for a format whose
        cells cannot be weighed.

    Raises
    ------
    UserError
        The book is damaged, locked by a password, unpacks to too much, passes a limit, or has no such sheet.
    """
    refuse_hostile_archive(file)
    if not cells_are_weighed(file):
        refuse_deadly()
    for talkative in ("calamine", "fastexcel"):  # they warn of charts and empty columns, which are no news
        logging.getLogger(talkative).setLevel(logging.ERROR)
    with refusing(file.label, "workbook"):
        book = fastexcel.read_excel(file.data)
    names = book.sheet_names
    if sheet is not None and sheet not in names:
        raise UserError(
            f"{file.label}#{sheet}", "no such sheet", f"one of {', '.join(names)}", "name a sheet of the book"
        )
    sheets = [_Sheet(f"{file.label}#{name}", book, name) for name in names if sheet in (None, name)]
    tables = [_sheet_table(file, each, hints) for each in sheets]
    empty = tuple(each.label for each, table in zip(sheets, tables, strict=True) if table is None)
    return Book(tuple(table for table in tables if table is not None), empty)


class _Sheet:
    """One sheet of an open book, read from its first row, as often and as typed as it takes."""

    def __init__(self, label: str, book: fastexcel.ExcelReader, name: str) -> None:
        self.label, self._book, self._name = label, book, name

    def text(self) -> pl.DataFrame:
        return self._cells(0, "string")

    def typed(self, skipped: int) -> pl.DataFrame:
        return self._cells(skipped, None)

    def numbers(self, skipped: int) -> pl.DataFrame:
        return self._cells(skipped, "float")

    def _cells(self, skipped: int, dtypes: Literal["string", "float"] | None) -> pl.DataFrame:
        with refusing(self.label, "sheet"):
            try:
                sheet = self._book.load_sheet(
                    self._name, header_row=None, skip_rows=skipped, dtypes=dtypes, schema_sample_rows=None
                )
            except fastexcel.FastExcelError as problem:
                if "not a valid worksheet" in str(problem):  # a sheet that is a chart
                    return pl.DataFrame()
                raise
            frame = sheet.to_polars()
        return frame.rename({name: f"c{place}" for place, name in enumerate(frame.columns)})


def _sheet_table(file: Snapshot, sheet: _Sheet, hints: Sequence[ReadingHint]) -> RawTable | None:
    grid = sheet.text().with_columns(pl.col(pl.String).replace("", None))
    limits.check_size(sheet.label, columns=grid.width, rows=grid.height)
    place = heading_row(grid.head(_SAMPLE_ROWS).rows(), hints)
    if place is None:
        return None
    text = grid.slice(place + 1)
    row = pl.Series(ROW, range(place + 2, grid.height + 1), dtype=pl.Int64)
    totals = _totals(text)
    cells = _under_headings(_refined(sheet, place + 1, text), grid.row(place))
    data_rows = ~_blank(text) & ~totals
    notes = tuple(f"no row but a totals line: row {number}" for number in row.filter(totals))
    if counts_from_1904(file):
        notes += tuple(_FROM_1904.format(heading=name) for name in cells.columns if _may_be_days(cells[name]))
    return RawTable(sheet.label, cells.select(row, pl.all()).filter(data_rows), unparsed_rows(), file.sha256, notes)


def _refined(sheet: _Sheet, skipped: int, text: pl.DataFrame) -> pl.DataFrame:
    """Text as it is, numbers where a column holds nothing else, dates and cut decimals mended."""
    if not text.height:
        return text
    typed = sheet.typed(skipped)
    same = typed.shape == text.shape
    columns = [_numbers(typed[name], text[name]) if same else None for name in text.columns]
    cut = [
        name
        for name, column in zip(text.columns, columns, strict=True)
        if column is None and text[name].str.contains(_CUT_SHORT).any()
    ]
    full = sheet.numbers(skipped) if cut else text
    return pl.DataFrame(
        [
            found
            if found is not None
            else _repaired_decimals(text[name], full[name] if name in cut and full.shape == text.shape else None)
            for name, found in zip(text.columns, columns, strict=True)
        ]
    )


def _numbers(typed: pl.Series, text: pl.Series) -> pl.Series | None:
    if not typed.dtype.is_numeric() or typed.null_count() != text.null_count() or not typed.count():
        return None
    if text.cast(pl.Float64, strict=False).null_count() != text.null_count():  # true and false, or dates
        return None
    whole = typed.dtype.is_integer() or bool(((typed == typed.round()) & (typed.abs() < _WHOLE_BELOW)).all())
    return typed.cast(pl.Int64 if whole else pl.Float64)


def _repaired_decimals(text: pl.Series, full: pl.Series | None) -> pl.Series:
    dates_repaired = pl.col(text.name).str.replace(_MIDNIGHT, "$1").str.replace(_TIME_ALONE, "$1")
    if full is None:
        return text.to_frame().select(dates_repaired).to_series()
    close_enough = (pl.col(text.name).cast(pl.Float64, strict=False) - pl.col("full")).abs() <= _HALF_A_NINTH_DECIMAL
    cut = pl.col(text.name).str.contains(_CUT_SHORT) & close_enough
    frame = pl.DataFrame([text, full.alias("full")])
    return frame.select(
        pl.when(cut).then(pl.col("full").cast(pl.String)).otherwise(dates_repaired).alias(text.name)
    ).to_series()


def _under_headings(cells: pl.DataFrame, headings: Sequence[str | None]) -> pl.DataFrame:
    """The cells under their headings, without the columns that have neither a heading nor a value."""
    columns = zip(cells.columns, unique_headings(headings), headings, strict=True)
    return cells.select(
        pl.col(name).alias(heading) for name, heading, cell in columns if (cell and cell.strip()) or cells[name].count()
    )


def _may_be_days(values: pl.Series) -> bool:
    """Whether numbers could be days counted by a workbook."""
    if not values.dtype.is_numeric():
        return False
    return bool(values.is_between(FIRST_SERIAL - DAYS_TO_1904, LAST_SERIAL).any())


def _blank(text: pl.DataFrame) -> pl.Series:
    empty = pl.all_horizontal((pl.all().str.strip_chars() == "").fill_null(True))
    return text.select(empty.alias("blank"))["blank"]


def _totals(text: pl.DataFrame) -> pl.Series:
    first = text.select(pl.coalesce(pl.when(pl.all().str.strip_chars() != "").then(pl.all())).alias("first"))["first"]
    suspect = first.str.strip_chars_start().str.contains(SUSPECT).fill_null(False)
    totals = [bool(hit) and is_non_data_row(text.row(place)) for place, hit in enumerate(suspect)]
    return pl.Series("totals", totals, dtype=pl.Boolean)
