"""CSV text as a raw table."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import cast

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.errors import EmptyExport
from analysis.intake.readers import limits
from analysis.intake.readers.files import Snapshot
from analysis.intake.readers.raw_table import (
    MAY_BE_NON_DATA,
    ROW,
    RawTable,
    ReadingHint,
    is_non_data_row,
    row_numbers_text,
    unparsed_rows,
)
from analysis.intake.readers.text_files import CsvLayout, CsvRecord, DecodedText, csv_layout, decode, record_at

_SAMPLE_BYTES = 4 << 20
_SAMPLE_LINES = 3000
_MAX_PATTERN_CELLS = 300
FEW_LINES = 50
"""A file of so few lines is read one by one: polars starts slower than that, and a folder may hold thousands."""


def csv_table(file: Snapshot, hints: Sequence[ReadingHint] = ()) -> RawTable:
    """Read the table of a delimited text file; every cell is a String, an empty one null.

    Raises
    ------
    UserError
        The file is not text, or exceeds a limit.
    EmptyExport
        It has only blank lines.
    """
    source = _decode_csv(file, hints)
    layout, lines = source.layout, _lines_below_headings(source)
    limits.check_size(file.label, columns=layout.width, rows=len(lines))
    rows = csv_rows(lines, layout, source.short_rows)
    broken = unparsed_rows((record.row, record.text, record.reason) for record in rows.broken)
    return RawTable(
        file.label, _apply_headings(rows.cells, layout), broken, file.sha256, _reading_notes(source.text, rows)
    )


@dataclass(frozen=True)
class _DecodedCsv:
    text: DecodedText
    layout: CsvLayout
    short_rows: bool = False


def _decode_csv(file: Snapshot, hints: Sequence[ReadingHint]) -> _DecodedCsv:
    """Read by the first hint whose headings the text then has, otherwise by the content alone."""
    texts: dict[str | None, DecodedText] = {}
    for hint in hints:
        text = texts.get(hint.encoding) or decode(file.label, file.data, hint.encoding)
        texts[hint.encoding] = text
        layout = csv_layout(_first_lines(text.data), hint.delimiter, [hint])
        if layout is not None and hint.fits(layout.headings):
            return _DecodedCsv(text, layout, hint.short_rows)
    text = texts.get(None) or decode(file.label, file.data)
    layout = csv_layout(_first_lines(text.data))
    if layout is None:
        raise EmptyExport(file.label, "only blank lines", "headings and rows", "export the log again")
    return _DecodedCsv(text, layout)


def _first_lines(data: bytes) -> list[str]:
    return data[:_SAMPLE_BYTES].decode("utf-8", "replace").split("\n")[:_SAMPLE_LINES]


def _lines_below_headings(source: _DecodedCsv) -> pl.Series:
    if not source.text.data:
        return pl.Series("line", [], dtype=pl.String)
    lines = pl.read_lines(BytesIO(source.text.data)).to_series()[source.layout.first_line :]
    return lines.str.strip_suffix(source.layout.delimiter) if source.layout.trailing else lines


def _apply_headings(cells: pl.DataFrame, layout: CsvLayout) -> pl.DataFrame:
    """The cells under their headings, without columns that have neither a heading nor a value."""
    row, *columns = cells.get_columns()
    headings = zip(columns, layout.headings, layout.has_heading, strict=True)
    return pl.DataFrame(
        [row, *(column.alias(heading) for column, heading, has_heading in headings if has_heading or column.count())]
    )


def _reading_notes(text: DecodedText, rows: CsvRows) -> tuple[str, ...]:
    notes = list(text.notes)
    if rows.non_data_rows:
        notes.append(f"totals, row counts or lines of dashes, not read as data: {row_numbers_text(rows.non_data_rows)}")
    if rows.literal_quotes:
        notes.append(f"quotation marks read as ordinary characters: {row_numbers_text(rows.literal_quotes)}")
    return tuple(notes)


@dataclass(frozen=True)
class CheckedRecord:
    """A record read one by one: the cells of a row, or why it is not a row; neither for a totals line."""

    row: int
    text: str
    cells: tuple[str | None, ...] | None = None
    reason: str = ""
    literal_quotes: bool = False


@dataclass(frozen=True)
class CsvRows:
    """The rows of a text: `cells` has ROW and one String column for each heading, in the order of the headings."""

    cells: pl.DataFrame
    checked: tuple[CheckedRecord, ...]

    @property
    def broken(self) -> list[CheckedRecord]:
        return [record for record in self.checked if record.reason]

    @property
    def non_data_rows(self) -> list[int]:
        return [record.row for record in self.checked if record.cells is None and not record.reason]

    @property
    def literal_quotes(self) -> list[int]:
        return [record.row for record in self.checked if record.literal_quotes]


def csv_rows(lines: pl.Series, layout: CsvLayout, short_rows: bool) -> CsvRows:
    """Read every line that is not blank as a row, a broken row or a non-data row.

    Parameters
    ----------
    lines
        The lines below the headings. A quoted cell may span several, which are then one row.
    short_rows
        Whether cells missing at the end of a row are empty.
    """
    is_blank = (~lines.str.contains(rf'[^\s"{re.escape(layout.delimiter)}]')).to_numpy()
    is_well_formed = np.zeros(len(lines), dtype=bool)
    if len(lines) > FEW_LINES:
        is_well_formed = _is_well_formed(lines, layout).to_numpy() & ~is_blank
    is_continuation = np.zeros(len(lines), dtype=bool)
    records: list[tuple[int, CsvRecord]] = []
    for line in np.flatnonzero(~is_well_formed & ~is_blank).tolist():
        if not is_continuation[line]:
            record = record_at(cast("Sequence[str]", lines), line, layout.delimiter, layout.width)
            is_continuation[line + 1 : line + record.lines] = True
            records.append((line, record))
    row = layout.rows_above + np.cumsum(~is_continuation)
    checked = tuple(_check_record(record, int(row[line]), layout.width, short_rows) for line, record in records)
    schema = {ROW: pl.Int64(), **{f"c{position}": pl.String() for position in range(layout.width)}}
    more = [(record.row, *record.cells) for record in checked if record.cells is not None]
    cells = pl.DataFrame(more, schema=schema, orient="row")
    is_row = is_well_formed & ~is_continuation
    if is_row.any():
        cells = pl.concat([_well_formed_cells(lines, is_row, row, layout), cells]).sort(ROW)
    return CsvRows(cells, checked)


def _is_well_formed(lines: pl.Series, layout: CsvLayout) -> pl.Series:
    """Whether a line is a row: as many cells as headings, each quoted entirely or not at all, and not a totals line."""
    may_be_non_data = lines.str.strip_chars_start(layout.delimiter + ' "').str.contains(MAY_BE_NON_DATA)
    if layout.width > _MAX_PATTERN_CELLS:  # polars limits the size of a pattern
        unquoted = ~lines.str.contains('"', literal=True)
        return (
            unquoted & (lines.str.count_matches(layout.delimiter, literal=True) == layout.width - 1) & ~may_be_non_data
        )
    delimiter = re.escape(layout.delimiter)
    cell = rf'(?:[^"{delimiter}]*|"(?:[^"]|"")*")'
    return lines.str.contains(rf"^{cell}(?:{delimiter}{cell}){{{layout.width - 1}}}$") & ~may_be_non_data


def _check_record(record: CsvRecord, row: int, width: int, short_rows: bool) -> CheckedRecord:
    if record.cells is None:
        return CheckedRecord(row, record.text, reason=record.reason)
    if is_non_data_row(record.cells):
        return CheckedRecord(row, record.text)
    count = len(record.cells)
    reason = f"{count} cell{'s' if count > 1 else ''} but only {width} headings"
    if count > width:
        return CheckedRecord(row, record.text, reason=reason)
    if count < width and not short_rows:
        return CheckedRecord(
            row, record.text, reason=f"{reason}; if the missing cells are empty, write short_rows = true in the map"
        )
    cells = _empty_as_null(record.cells) + (None,) * (width - count)
    return CheckedRecord(row, record.text, cells, literal_quotes=record.literal_quotes)


def _well_formed_cells(
    lines: pl.Series, is_row: NDArray[np.bool_], row: NDArray[np.int64], layout: CsvLayout
) -> pl.DataFrame:
    schema = {f"c{position}": pl.String() for position in range(layout.width)}
    row_lines = lines.filter(pl.Series(is_row))
    frame = _parse_lines(row_lines, layout.delimiter, schema)
    if frame.height != len(row_lines):  # polars found other rows than there are lines
        records = (record_at([line], 0, layout.delimiter).cells or () for line in row_lines)
        frame = pl.DataFrame([_empty_as_null(cells) for cells in records], schema=schema, orient="row")
    return frame.select(pl.Series(ROW, row[is_row], dtype=pl.Int64), pl.all())


def _parse_lines(lines: pl.Series, delimiter: str, schema: dict[str, pl.String]) -> pl.DataFrame:
    if lines.is_empty():
        return pl.DataFrame(schema=schema)
    text = BytesIO()
    lines.to_frame().write_csv(text, include_header=False, quote_style="never")
    has_quotes = lines.str.contains('"', literal=True).any()
    try:
        frame = pl.read_csv(
            text.getvalue(),
            has_header=False,
            separator=delimiter,
            quote_char='"' if has_quotes else None,
            schema=schema,
        )
    except pl.exceptions.NoDataError:
        return pl.DataFrame(schema=schema)
    return frame.with_columns(pl.all().replace("", None)) if has_quotes else frame


def _empty_as_null(cells: Sequence[str]) -> tuple[str | None, ...]:
    return tuple(cell or None for cell in cells)
