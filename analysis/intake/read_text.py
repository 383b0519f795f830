"""CSV, TSV and the like: clean lines are read in one sweep, the rest one by one and with care."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO

import numpy as np
import polars as pl

from analysis.errors import CannotRun

from . import limits
from .broken import broken_rows
from .decoding import Decoded, decoded
from .furniture import SUSPECT, is_furniture
from .hint import ReadingHint
from .layout import Layout, layout
from .raw import ROW, RawTable
from .records import Record, record_at
from .snapshot import Snapshot

_TOP_BYTES = 4 << 20
_TOP_LINES = 3000
_WIDEST_PATTERN = 300


def text_table(file: Snapshot, hints: Sequence[ReadingHint] = ()) -> RawTable:
    """The one table of a delimited text file, every cell a String and empty ones null.

    Raises
    ------
    CannotRun
        The file is no text, holds nothing but blank lines, or passes a limit.
    """
    reading = _reading(file, hints)
    plan, lines = reading.plan, _body(reading)
    limits.check_size(file.label, columns=plan.width, rows=len(lines))
    clean, records = _sorted_out(lines, plan)
    row = plan.rows_above + np.cumsum(~records.within)
    careful = [_judged(record, int(row[place]), reading) for place, record in records.found]
    cells = _clean_cells(lines, clean, row, plan)
    if careful:
        cells = pl.concat([cells, _careful_cells(careful, plan)]).sort(ROW)
    if (lines.str.len_bytes().max() or 0) > limits.CELL_BYTES or any(r.lines > 1 for _, r in records.found):
        limits.check_size(file.label, cell_bytes=limits.longest_cell(cells))
    return RawTable(file.label, _named(cells, plan), _broken(careful), file.sha256, _notes(reading, careful))


@dataclass(frozen=True)
class _Reading:
    text: Decoded
    plan: Layout
    short_rows: bool = False


@dataclass(frozen=True)
class _Records:
    """Records read with care, each with the line it begins on, and which lines lie within one that began above."""

    found: list[tuple[int, Record]]
    within: np.ndarray


@dataclass(frozen=True)
class _Judged:
    """A record read with care: cells of a row, or why it is none, or neither where it is a totals line."""

    row: int
    text: str
    cells: tuple[str | None, ...] | None = None
    why: str = ""
    literal_quotes: bool = False


def _reading(file: Snapshot, hints: Sequence[ReadingHint]) -> _Reading:
    """The way of the first hint whose headings are there when the file is read its way, else the content's own."""
    for hint in hints:
        text = decoded(file.label, file.data, hint.encoding)
        plan = layout(_top_lines(text.data), hint.delimiter, [hint])
        if plan is not None and hint.fits(plan.headings):
            return _Reading(text, plan, hint.short_rows)
    text = decoded(file.label, file.data)
    plan = layout(_top_lines(text.data))
    if plan is None:
        raise CannotRun(file.label, "nothing but blank lines", "headings and rows", "export the log again")
    return _Reading(text, plan)


def _top_lines(data: bytes) -> list[str]:
    return data[:_TOP_BYTES].decode("utf-8", "replace").split("\n")[:_TOP_LINES]


def _body(reading: _Reading) -> pl.Series:
    data, start = reading.text.data, 0
    for _ in range(reading.plan.first_line):
        end = data.find(b"\n", start)
        start = len(data) if end < 0 else end + 1
    if start >= len(data):
        return pl.Series("line", [], dtype=pl.String)
    lines = pl.read_lines(BytesIO(data[start:]))["line"]
    return lines.str.strip_suffix(reading.plan.delimiter) if reading.plan.trailing else lines


def _sorted_out(lines: pl.Series, plan: Layout) -> tuple[np.ndarray, _Records]:
    """Which lines are clean rows by themselves, and the records of those that are neither clean nor blank."""
    sign = re.escape(plan.delimiter)
    blank = ~lines.str.contains(rf'[^\s"{sign}]')
    suspect = lines.str.strip_chars_start(plan.delimiter + ' "').str.contains(SUSPECT)
    clean = (_whole(lines, plan) & ~suspect & ~blank).to_numpy()
    within = np.zeros(len(lines), dtype=bool)
    found: list[tuple[int, Record]] = []
    for place in np.flatnonzero(~clean & ~blank.to_numpy()).tolist():
        if not within[place]:
            record = record_at(lines, place, plan.delimiter, plan.width)
            within[place + 1 : place + record.lines] = True
            found.append((place, record))
    return clean & ~within, _Records(found, within)


def _whole(lines: pl.Series, plan: Layout) -> pl.Series:
    """Whether a line has exactly as many cells as there are headings, each quoted as a whole or not at all."""
    sign = re.escape(plan.delimiter)
    if plan.width > _WIDEST_PATTERN:
        return ~lines.str.contains('"', literal=True) & (
            lines.str.count_matches(plan.delimiter, literal=True) == plan.width - 1
        )
    cell = rf'(?:[^"{sign}]*|"(?:[^"]|"")*")'
    return lines.str.contains(rf"^{cell}(?:{sign}{cell}){{{plan.width - 1}}}$")


def _clean_cells(lines: pl.Series, clean: np.ndarray, row: np.ndarray, plan: Layout) -> pl.DataFrame:
    kept = lines if clean.all() else lines.filter(pl.Series(clean))
    frame = _parsed(kept, plan)
    if frame.height != len(kept):
        split = (record_at([line], 0, plan.delimiter).cells or () for line in kept)
        frame = pl.DataFrame([_emptied(cells) for cells in split], schema=_schema(plan), orient="row")
    return frame.select(pl.Series(ROW, row[clean], dtype=pl.Int64), pl.all())


def _parsed(lines: pl.Series, plan: Layout) -> pl.DataFrame:
    if not len(lines):
        return pl.DataFrame(schema=_schema(plan))
    text = BytesIO()
    lines.to_frame().write_csv(text, include_header=False, quote_style="never")
    quoted = bool(lines.str.contains('"', literal=True).any())
    frame = pl.read_csv(
        text.getvalue(),
        has_header=False,
        separator=plan.delimiter,
        quote_char='"' if quoted else None,
        schema=_schema(plan),
    )
    if not quoted:
        return frame
    empty = [name for name in frame.columns if (frame[name] == "").any()]
    return frame.with_columns(pl.col(name).replace("", None) for name in empty)


def _judged(record: Record, row: int, reading: _Reading) -> _Judged:
    if record.cells is None:
        return _Judged(row, record.text, why=record.why)
    if is_furniture(record.cells):
        return _Judged(row, record.text)
    width, found = reading.plan.width, len(record.cells)
    if found > width:
        return _Judged(row, record.text, why=f"{found} cells where there are {width} headings")
    if found < width and not reading.short_rows:
        cure = "if the missing ones are empty, say short_rows = true in the map"
        return _Judged(row, record.text, why=f"{found} cells where there are {width} headings; {cure}")
    cells = _emptied(record.cells) + (None,) * (width - found)
    return _Judged(row, record.text, cells, literal_quotes=record.literal_quotes)


def _careful_cells(careful: Sequence[_Judged], plan: Layout) -> pl.DataFrame:
    rows = [(record.row, *record.cells) for record in careful if record.cells is not None]
    return pl.DataFrame(rows, schema={ROW: pl.Int64} | _schema(plan), orient="row")


def _broken(careful: Sequence[_Judged]) -> pl.DataFrame:
    return broken_rows((record.row, record.text, record.why) for record in careful if record.why)


def _named(cells: pl.DataFrame, plan: Layout) -> pl.DataFrame:
    """The cells under their headings, without the columns that have neither a heading nor a value."""
    bare = [
        name for name, named in zip(_schema(plan), plan.named, strict=True) if not named and not cells[name].count()
    ]
    return cells.rename(dict(zip(_schema(plan), plan.headings, strict=True))).drop(
        heading for name, heading in zip(_schema(plan), plan.headings, strict=True) if name in bare
    )


def _notes(reading: _Reading, careful: Sequence[_Judged]) -> tuple[str, ...]:
    notes = list(reading.text.notes)
    passed_over = [record.row for record in careful if record.cells is None and not record.why]
    if passed_over:
        notes.append(f"no rows but totals, rulers or counts: {_listed(passed_over)}")
    literal = [record.row for record in careful if record.literal_quotes]
    if literal:
        notes.append(f"quotation marks read as ordinary characters: {_listed(literal)}")
    return tuple(notes)


def _listed(rows: Sequence[int]) -> str:
    shown = ", ".join(str(row) for row in rows[:5])
    return f"row {shown}" + (f" and {len(rows) - 5} more" if len(rows) > 5 else "")


def _schema(plan: Layout) -> dict[str, pl.DataType]:
    return {f"c{place}": pl.String() for place in range(plan.width)}


def _emptied(cells: Sequence[str]) -> tuple[str | None, ...]:
    return tuple(cell or None for cell in cells)
