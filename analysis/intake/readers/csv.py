"""CSV, TSV and the like: how the text of a file is to be read, and its rows as a raw table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO

import polars as pl

from analysis.errors import EmptyExport
from analysis.intake.readers import limits
from analysis.intake.readers.csv_layout import CsvLayout, csv_layout
from analysis.intake.readers.csv_rows import TextRows, text_rows
from analysis.intake.readers.decoding import Decoded, decode
from analysis.intake.readers.raw_table import RawTable
from analysis.intake.readers.reading_hint import ReadingHint
from analysis.intake.readers.snapshot import Snapshot
from analysis.intake.readers.unparsed_rows import unparsed_rows

_TOP_BYTES = 4 << 20
_TOP_LINES = 3000
_LISTED = 5


def text_table(file: Snapshot, hints: Sequence[ReadingHint] = ()) -> RawTable:
    """The one table of a delimited text file, every cell a String and empty ones null.

    Raises
    ------
    UserError
        The file is no text or passes a limit.
    EmptyExport
        It holds nothing but blank lines.
    """
    reading = _read_plan(file, hints)
    plan, lines = reading.layout, _body(reading)
    limits.check_size(file.label, columns=plan.width, rows=len(lines))
    rows = text_rows(lines, plan, reading.short_rows, reading.text.data)
    broken = unparsed_rows((record.row, record.text, record.reason) for record in rows.broken)
    return RawTable(file.label, _with_headings(rows.cells, plan), broken, file.sha256, _notes(reading.text, rows))


@dataclass(frozen=True)
class _ReadPlan:
    text: Decoded
    layout: CsvLayout
    short_rows: bool = False


def _read_plan(file: Snapshot, hints: Sequence[ReadingHint]) -> _ReadPlan:
    """The way of the first hint whose headings are there when the file is read its way, else the content's own."""
    texts: dict[str | None, Decoded] = {}
    for hint in hints:
        text = texts.get(hint.encoding) or decode(file.label, file.data, hint.encoding)
        texts[hint.encoding] = text
        plan = csv_layout(_top_lines(text.data), hint.delimiter, [hint])
        if plan is not None and hint.fits(plan.headings):
            return _ReadPlan(text, plan, hint.short_rows)
    text = texts.get(None) or decode(file.label, file.data)
    plan = csv_layout(_top_lines(text.data))
    if plan is None:
        raise EmptyExport(file.label, "nothing but blank lines", "headings and rows", "export the log again")
    return _ReadPlan(text, plan)


def _top_lines(data: bytes) -> list[str]:
    return data[:_TOP_BYTES].decode("utf-8", "replace").split("\n")[:_TOP_LINES]


def _body(reading: _ReadPlan) -> pl.Series:
    """The lines below the headings."""
    if not reading.text.data:
        return pl.Series("line", [], dtype=pl.String)
    lines = pl.read_lines(BytesIO(reading.text.data))["line"][reading.layout.first_line :]
    return lines.str.strip_suffix(reading.layout.delimiter) if reading.layout.trailing else lines


def _with_headings(cells: pl.DataFrame, plan: CsvLayout) -> pl.DataFrame:
    """The cells under their headings, without the columns that have neither a heading nor a value."""
    row, *columns = cells.get_columns()
    columns_and_headings = zip(columns, plan.headings, plan.has_heading, strict=True)
    return pl.DataFrame(
        [row, *(column.alias(heading) for column, heading, own in columns_and_headings if own or column.count())]
    )


def _notes(text: Decoded, rows: TextRows) -> tuple[str, ...]:
    notes = list(text.notes)
    if rows.non_data_rows:
        notes.append(f"no rows but totals, rulers or counts: {_listed(rows.non_data_rows)}")
    if rows.literal_quotes:
        notes.append(f"quotation marks read as ordinary characters: {_listed(rows.literal_quotes)}")
    return tuple(notes)


def _listed(rows: Sequence[int]) -> str:
    row_list = ", ".join(str(row) for row in rows[:_LISTED])
    return f"row {row_list}" + (f" and {len(rows) - _LISTED} more" if len(rows) > _LISTED else "")
