"""Excel and OpenDocument workbooks: one raw table for each sheet, hidden sheets included."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from typing import Literal

import fastexcel
import polars as pl

from analysis.errors import UserError
from analysis.intake.convert.dates import FIRST_SERIAL, LAST_SERIAL
from analysis.intake.readers import limits
from analysis.intake.readers.excel_archive import check_workbook, extent_is_checked, uses_1904_dates
from analysis.intake.readers.files import Snapshot
from analysis.intake.readers.library_failures import library_errors_as_user_errors
from analysis.intake.readers.raw_table import (
    MAY_BE_NON_DATA,
    ROW,
    RawTable,
    RawTables,
    ReadingHint,
    SkippedFile,
    find_heading_row,
    is_non_data_row,
    make_headings_unique,
    unparsed_rows,
)

_SAMPLE_ROWS = 300
_MIDNIGHT = r"^(\d{4}-\d\d-\d\d) 00:00:00(?:\.0+)?$"
_TIME_ONLY = r"^1899-12-3[01] (\d\d:\d\d:\d\d(?:\.\d+)?)$"
_ROUNDED_NUMBER = r"^-?\d+\.\d{8,9}$"
"""The library rounds a number in a column of text to nine decimals."""
_HALF_A_NINTH_DECIMAL = 5.1e-10
_EXACT_INTEGERS = 2.0**53
_DAYS_TO_1904 = 1462
"""From 1899-12-30, the first day of most workbooks, to 1904-01-01."""
_FROM_1904 = (
    "this workbook counts days from 1904, but '{heading}' has plain numbers: as dates they would be read 4 years too "
    "early; format that column as dates"
)


def workbook_tables(
    file: Snapshot,
    hints: Sequence[ReadingHint] = (),
    sheet: str | None = None,
    refuse_if_too_large: Callable[[], None] = lambda: None,
) -> RawTables:
    """Read every sheet, or the one named, in the order of the workbook; labels are `book.xlsx#sheet`.

    A column that holds only numbers is Int64 or Float64, any other String. Dates are ISO text, without a time if they
    have none. A cell with an error is empty. `row` is the row of the sheet.

    Parameters
    ----------
    refuse_if_too_large
        Called for formats whose extent cannot be checked beforehand; raises a UserError if the workbook does not fit
        into memory.

    Raises
    ------
    UserError
        The workbook is damaged, locked, too large, not a workbook, or has no such sheet.
    """
    check_workbook(file)
    if not extent_is_checked(file):
        refuse_if_too_large()
    book = _open_workbook(file)
    names = book.sheet_names
    if sheet is not None and sheet not in names:
        raise UserError(
            f"{file.label}#{sheet}", "no such sheet", f"one of {', '.join(names)}", "name a sheet of the workbook"
        )
    sheets = [_OpenSheet(f"{file.label}#{name}", book, name) for name in names if sheet in (None, name)]
    tables = {each.label: _sheet_table(file, each, hints) for each in sheets}
    return RawTables(
        tables=tuple(table for table in tables.values() if table is not None),
        skipped=tuple(SkippedFile(label, "an empty sheet") for label, table in tables.items() if table is None),
    )


def _open_workbook(file: Snapshot) -> fastexcel.ExcelReader:
    for library in ("calamine", "fastexcel"):  # they warn of charts and empty columns
        logging.getLogger(library).setLevel(logging.ERROR)
    with library_errors_as_user_errors(file.label, "workbook"):
        return fastexcel.read_excel(file.data)


class _OpenSheet:
    """One sheet of an open workbook, read as text or typed. Columns are named c0, c1, ..."""

    def __init__(self, label: str, book: fastexcel.ExcelReader, name: str) -> None:
        self.label, self._book, self._name = label, book, name

    def read(self, skip_rows: int = 0, dtypes: Literal["string", "float"] | None = None) -> pl.DataFrame:
        with library_errors_as_user_errors(self.label, "sheet"):
            try:
                sheet = self._book.load_sheet(
                    self._name, header_row=None, skip_rows=skip_rows, dtypes=dtypes, schema_sample_rows=None
                )
            except fastexcel.FastExcelError as problem:
                if "not a valid worksheet" in str(problem):  # the sheet is a chart
                    return pl.DataFrame()
                raise
            frame = sheet.to_polars()
        return frame.rename({name: f"c{position}" for position, name in enumerate(frame.columns)})


def _sheet_table(file: Snapshot, sheet: _OpenSheet, hints: Sequence[ReadingHint]) -> RawTable | None:
    """The table of a sheet; None if the sheet is empty."""
    grid = sheet.read(dtypes="string").with_columns(pl.col(pl.String).replace("", None))
    limits.check_size(sheet.label, columns=grid.width, rows=grid.height)
    heading = find_heading_row(grid.head(_SAMPLE_ROWS).rows(), hints)
    if heading is None:
        return None
    text = grid.slice(heading + 1)
    row = pl.Series(ROW, range(heading + 2, grid.height + 1), dtype=pl.Int64)
    is_totals = _is_totals_row(text)
    cells = _apply_headings(_typed_columns(sheet, heading + 1, text), grid.row(heading))
    notes = tuple(f"totals, not read as data: row {number}" for number in row.filter(is_totals))
    if uses_1904_dates(file):
        notes += tuple(_FROM_1904.format(heading=name) for name in cells.columns if _may_be_days(cells[name]))
    data_rows = cells.select(row, pl.all()).filter(~_is_blank_row(text) & ~is_totals)
    return RawTable(sheet.label, data_rows, unparsed_rows(), file.sha256, notes)


def _typed_columns(sheet: _OpenSheet, skip_rows: int, text: pl.DataFrame) -> pl.DataFrame:
    """Numbers where a column holds only numbers, otherwise text with dates and rounded decimals repaired."""
    if not text.height:
        return text
    typed = sheet.read(skip_rows)
    numbers = {name: _as_numbers(typed[name], text[name]) for name in text.columns if typed.shape == text.shape}
    mixed = [name for name in text.columns if numbers.get(name) is None]
    rounded = [name for name in mixed if text[name].str.contains(_ROUNDED_NUMBER).any()]
    exact = sheet.read(skip_rows, "float") if rounded else text
    repaired = {
        name: _repair_text(text[name], exact[name] if name in rounded and exact.shape == text.shape else None)
        for name in mixed
    }
    return pl.DataFrame([repaired.get(name, numbers.get(name)) for name in text.columns])


def _as_numbers(typed: pl.Series, text: pl.Series) -> pl.Series | None:
    """The column as Int64 or Float64; None unless it holds only numbers."""
    if not typed.dtype.is_numeric() or typed.null_count() != text.null_count() or not typed.count():
        return None
    if text.cast(pl.Float64, strict=False).null_count() != text.null_count():  # true and false, or dates
        return None
    whole = typed.dtype.is_integer() or bool(((typed == typed.round()) & (typed.abs() < _EXACT_INTEGERS)).all())
    return typed.cast(pl.Int64 if whole else pl.Float64)


def _repair_text(text: pl.Series, exact: pl.Series | None) -> pl.Series:
    """Days without midnight, times without a day, and the exact digits of rounded numbers."""
    repaired = pl.col(text.name).str.replace(_MIDNIGHT, "$1").str.replace(_TIME_ONLY, "$1")
    if exact is None:
        return text.to_frame().select(repaired).to_series()
    same = (pl.col(text.name).cast(pl.Float64, strict=False) - pl.col("exact")).abs() <= _HALF_A_NINTH_DECIMAL
    is_rounded = pl.col(text.name).str.contains(_ROUNDED_NUMBER) & same
    with_digits = pl.when(is_rounded).then(pl.col("exact").cast(pl.String)).otherwise(repaired)
    return pl.DataFrame([text, exact.alias("exact")]).select(with_digits.alias(text.name)).to_series()


def _apply_headings(cells: pl.DataFrame, headings: Sequence[str | None]) -> pl.DataFrame:
    """The cells under their headings, without columns that have neither a heading nor a value."""
    columns = zip(cells.columns, make_headings_unique(headings), headings, strict=True)
    return cells.select(
        pl.col(name).alias(heading) for name, heading, cell in columns if (cell and cell.strip()) or cells[name].count()
    )


def _may_be_days(values: pl.Series) -> bool:
    """Whether a column has numbers that could be days counted by a workbook."""
    return values.dtype.is_numeric() and bool(values.is_between(FIRST_SERIAL - _DAYS_TO_1904, LAST_SERIAL).any())


def _is_blank_row(text: pl.DataFrame) -> pl.Series:
    blank = pl.all_horizontal((pl.all().str.strip_chars() == "").fill_null(True))
    return text.select(blank.alias("blank"))["blank"]


def _is_totals_row(text: pl.DataFrame) -> pl.Series:
    first = text.select(pl.coalesce(pl.when(pl.all().str.strip_chars() != "").then(pl.all())).alias("first"))["first"]
    may_be = first.str.strip_chars_start().str.contains(MAY_BE_NON_DATA).fill_null(False)
    totals = [bool(candidate) and is_non_data_row(text.row(index)) for index, candidate in enumerate(may_be)]
    return pl.Series("totals", totals, dtype=pl.Boolean)
