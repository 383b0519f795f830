"""Delimited text such as CSV and TSV as a raw table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO

import polars as pl

from analysis.errors import EmptyExport
from analysis.intake.readers import limits
from analysis.intake.readers.csv_layout import CsvLayout, csv_layout
from analysis.intake.readers.csv_rows import CsvRows, csv_rows
from analysis.intake.readers.decoding import DecodedText, decode
from analysis.intake.readers.files import Snapshot
from analysis.intake.readers.raw_table import RawTable, ReadingHint, unparsed_rows

_SAMPLE_BYTES = 4 << 20
_SAMPLE_LINES = 3000
_MAX_LISTED_ROWS = 5


def csv_table(file: Snapshot, hints: Sequence[ReadingHint] = ()) -> RawTable:
    """Read the table of a delimited text file; every cell is a String, an empty one null.

    Raises
    ------
    UserError
        The file is not text, or exceeds a limit.
    EmptyExport
        It has only blank lines.
    """
    source = _csv_source(file, hints)
    layout, lines = source.layout, _lines_below_headings(source)
    limits.check_size(file.label, columns=layout.width, rows=len(lines))
    rows = csv_rows(lines, layout, source.short_rows)
    broken = unparsed_rows((record.row, record.text, record.reason) for record in rows.broken)
    return RawTable(file.label, _with_headings(rows.cells, layout), broken, file.sha256, _notes(source.text, rows))


@dataclass(frozen=True)
class _CsvSource:
    text: DecodedText
    layout: CsvLayout
    short_rows: bool = False


def _csv_source(file: Snapshot, hints: Sequence[ReadingHint]) -> _CsvSource:
    """Read by the first hint whose headings the text then has, otherwise by the content alone."""
    texts: dict[str | None, DecodedText] = {}
    for hint in hints:
        text = texts.get(hint.encoding) or decode(file.label, file.data, hint.encoding)
        texts[hint.encoding] = text
        layout = csv_layout(_first_lines(text.data), hint.delimiter, [hint])
        if layout is not None and hint.fits(layout.headings):
            return _CsvSource(text, layout, hint.short_rows)
    text = texts.get(None) or decode(file.label, file.data)
    layout = csv_layout(_first_lines(text.data))
    if layout is None:
        raise EmptyExport(file.label, "only blank lines", "headings and rows", "export the log again")
    return _CsvSource(text, layout)


def _first_lines(data: bytes) -> list[str]:
    return data[:_SAMPLE_BYTES].decode("utf-8", "replace").split("\n")[:_SAMPLE_LINES]


def _lines_below_headings(source: _CsvSource) -> pl.Series:
    if not source.text.data:
        return pl.Series("line", [], dtype=pl.String)
    lines = pl.read_lines(BytesIO(source.text.data))["line"][source.layout.first_line :]
    return lines.str.strip_suffix(source.layout.delimiter) if source.layout.trailing else lines


def _with_headings(cells: pl.DataFrame, layout: CsvLayout) -> pl.DataFrame:
    """The cells under their headings, without columns that have neither a heading nor a value."""
    row, *columns = cells.get_columns()
    headings = zip(columns, layout.headings, layout.has_heading, strict=True)
    return pl.DataFrame(
        [row, *(column.alias(heading) for column, heading, has_heading in headings if has_heading or column.count())]
    )


def _notes(text: DecodedText, rows: CsvRows) -> tuple[str, ...]:
    notes = list(text.notes)
    if rows.non_data_rows:
        notes.append(f"totals, row counts or lines of dashes, not read as data: {_listed(rows.non_data_rows)}")
    if rows.literal_quotes:
        notes.append(f"quotation marks read as ordinary characters: {_listed(rows.literal_quotes)}")
    return tuple(notes)


def _listed(rows: Sequence[int]) -> str:
    listed = ", ".join(str(row) for row in rows[:_MAX_LISTED_ROWS])
    more = f" and {len(rows) - _MAX_LISTED_ROWS} more" if len(rows) > _MAX_LISTED_ROWS else ""
    return f"row{'s' if len(rows) > 1 else ''} {listed}{more}"
