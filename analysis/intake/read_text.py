"""CSV, TSV and the like: how the text of a file is to be read, and its rows as a raw table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO

import polars as pl

from analysis.errors import EmptyExport
from analysis.intake import limits
from analysis.intake.broken import broken_rows
from analysis.intake.decoding import Decoded, decoded
from analysis.intake.hint import ReadingHint
from analysis.intake.layout import Layout, layout
from analysis.intake.raw import RawTable
from analysis.intake.snapshot import Snapshot
from analysis.intake.text_rows import TextRows, text_rows

_TOP_BYTES = 4 << 20
_TOP_LINES = 3000
_LISTED = 5


def text_table(file: Snapshot, hints: Sequence[ReadingHint] = ()) -> RawTable:
    """The one table of a delimited text file, every cell a String and empty ones null.

    Raises
    ------
    CannotRun
        The file is no text or passes a limit.
    EmptyExport
        It holds nothing but blank lines.
    """
    reading = _reading(file, hints)
    plan, lines = reading.plan, _body(reading)
    limits.check_size(file.label, columns=plan.width, rows=len(lines))
    rows = text_rows(lines, plan, reading.short_rows, reading.text.data)
    broken = broken_rows((record.row, record.text, record.why) for record in rows.broken)
    return RawTable(file.label, _named(rows.cells, plan), broken, file.sha256, _notes(reading.text, rows))


@dataclass(frozen=True)
class _Reading:
    text: Decoded
    plan: Layout
    short_rows: bool = False


def _reading(file: Snapshot, hints: Sequence[ReadingHint]) -> _Reading:
    """The way of the first hint whose headings are there when the file is read its way, else the content's own."""
    texts: dict[str | None, Decoded] = {}
    for hint in hints:
        text = texts.get(hint.encoding) or decoded(file.label, file.data, hint.encoding)
        texts[hint.encoding] = text
        plan = layout(_top_lines(text.data), hint.delimiter, [hint])
        if plan is not None and hint.fits(plan.headings):
            return _Reading(text, plan, hint.short_rows)
    text = texts.get(None) or decoded(file.label, file.data)
    plan = layout(_top_lines(text.data))
    if plan is None:
        raise EmptyExport(file.label, "nothing but blank lines", "headings and rows", "export the log again")
    return _Reading(text, plan)


def _top_lines(data: bytes) -> list[str]:
    return data[:_TOP_BYTES].decode("utf-8", "replace").split("\n")[:_TOP_LINES]


def _body(reading: _Reading) -> pl.Series:
    """The lines below the headings."""
    if not reading.text.data:
        return pl.Series("line", [], dtype=pl.String)
    lines = pl.read_lines(BytesIO(reading.text.data))["line"][reading.plan.first_line :]
    return lines.str.strip_suffix(reading.plan.delimiter) if reading.plan.trailing else lines


def _named(cells: pl.DataFrame, plan: Layout) -> pl.DataFrame:
    """The cells under their headings, without the columns that have neither a heading nor a value."""
    row, *columns = cells.get_columns()
    named = zip(columns, plan.headings, plan.named, strict=True)
    return pl.DataFrame([row, *(column.alias(heading) for column, heading, own in named if own or column.count())])


def _notes(text: Decoded, rows: TextRows) -> tuple[str, ...]:
    notes = list(text.notes)
    if rows.furniture:
        notes.append(f"no rows but totals, rulers or counts: {_listed(rows.furniture)}")
    if rows.literal_quotes:
        notes.append(f"quotation marks read as ordinary characters: {_listed(rows.literal_quotes)}")
    return tuple(notes)


def _listed(rows: Sequence[int]) -> str:
    shown = ", ".join(str(row) for row in rows[:_LISTED])
    return f"row {shown}" + (f" and {len(rows) - _LISTED} more" if len(rows) > _LISTED else "")
