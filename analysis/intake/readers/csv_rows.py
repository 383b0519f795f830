"""The lines below a heading as rows: clean ones in one sweep, the rest one by one and with care."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import cast

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.intake.readers.csv_layout import CsvLayout
from analysis.intake.readers.csv_records import Record, record_at
from analysis.intake.readers.non_data_rows import SUSPECT, is_non_data_row
from analysis.intake.readers.raw_table import ROW

_WIDEST_PATTERN = 300
BATCH_ROWS = 200_000
"""Lines."""


@dataclass(frozen=True)
class CheckedRecord:
    """A record read with care: the cells of a row, or why it is none, or neither where it is a totals line."""

    row: int
    text: str
    cells: tuple[str | None, ...] | None = None
    reason: str = ""
    literal_quotes: bool = False


@dataclass(frozen=True)
class TextRows:
    """The rows of a text: `cells` has ROW and one String column a heading, by place."""

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


def text_rows(lines: pl.Series, plan: CsvLayout, short_rows: bool, text: bytes) -> TextRows:
    """Every line that is not blank as a row, a broken one, or furniture; a quoted cell with line ends is one row.

    Parameters
    ----------
    lines
        Those below the headings.
    plan
        How they are laid out.
    short_rows
        Whether cells that are missing at a row's end are empty.
    text
        The whole text that the lines are of, UTF-8.
    """
    parts = list(lines.to_frame().iter_slices(BATCH_ROWS)) or [lines.to_frame()]
    flags = (_clean_and_blank(part.to_series(), plan) for part in parts)
    clean, blank = (np.concatenate(one) for one in zip(*flags, strict=True))
    within = np.zeros(len(lines), dtype=bool)
    odd_records: list[tuple[int, Record]] = []
    for place in np.flatnonzero(~clean & ~blank).tolist():
        if not within[place]:
            record = record_at(cast("Sequence[str]", lines), place, plan.delimiter, plan.width)
            within[place + 1 : place + record.lines] = True
            odd_records.append((place, record))
    row = plan.rows_above + np.cumsum(~within)
    careful = tuple(_checked(record, int(row[place]), plan.width, short_rows) for place, record in odd_records)
    cells = _clean_cells(lines, clean & ~within, row, plan, text)
    mended = [(record.row, *record.cells) for record in careful if record.cells is not None]
    if mended:
        cells = pl.concat([cells, pl.DataFrame(mended, schema=cells.schema, orient="row")]).sort(ROW)
    return TextRows(cells, careful)


def _clean_and_blank(lines: pl.Series, plan: CsvLayout) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which lines are rows by themselves, and which are blank."""
    blank = (~lines.str.contains(rf'[^\s"{re.escape(plan.delimiter)}]')).to_numpy()
    return _clean(lines, plan).to_numpy() & ~blank, blank


def _clean(lines: pl.Series, plan: CsvLayout) -> pl.Series:
    """Whether a line by itself is a row: as many cells as headings, each quoted as a whole or not at all, no total."""
    suspect = lines.str.strip_chars_start(plan.delimiter + ' "').str.contains(SUSPECT)
    sign = re.escape(plan.delimiter)
    if plan.width > _WIDEST_PATTERN:
        plain = ~lines.str.contains('"', literal=True)
        return plain & (lines.str.count_matches(plan.delimiter, literal=True) == plan.width - 1) & ~suspect
    cell = rf'(?:[^"{sign}]*|"(?:[^"]|"")*")'
    return lines.str.contains(rf"^{cell}(?:{sign}{cell}){{{plan.width - 1}}}$") & ~suspect


def _checked(record: Record, row: int, width: int, short_rows: bool) -> CheckedRecord:
    if record.cells is None:
        return CheckedRecord(row, record.text, reason=record.reason)
    if is_non_data_row(record.cells):
        return CheckedRecord(row, record.text)
    cell_count = len(record.cells)
    why = f"{cell_count} cell{'s' if cell_count > 1 else ''} where there are {width} headings"
    if cell_count > width:
        return CheckedRecord(row, record.text, reason=why)
    if cell_count < width and not short_rows:
        return CheckedRecord(
            row, record.text, reason=f"{why}; if the missing ones are empty, say short_rows = true in the map"
        )
    cells = _emptied(record.cells) + (None,) * (width - cell_count)
    return CheckedRecord(row, record.text, cells, literal_quotes=record.literal_quotes)


def _clean_cells(lines: pl.Series, clean: np.ndarray, row: np.ndarray, plan: CsvLayout, text: bytes) -> pl.DataFrame:
    schema = {f"c{place}": pl.String() for place in range(plan.width)}
    if clean.all() and not plan.trailing:
        clean_lines, frame = lines, _parsed(text, plan.delimiter, schema, plan.first_line)
    else:
        clean_lines = lines.filter(pl.Series(clean))
        frame = _parsed(_text_of(clean_lines), plan.delimiter, schema)
    if frame.height != len(clean_lines):  # the fast reader saw other rows than there are lines: every line with care
        split = (record_at([line], 0, plan.delimiter).cells or () for line in clean_lines)
        frame = pl.DataFrame([_emptied(cells) for cells in split], schema=schema, orient="row")
    return frame.select(pl.Series(ROW, row[clean], dtype=pl.Int64), pl.all())


def _text_of(lines: pl.Series) -> bytes:
    text = BytesIO()
    lines.to_frame().write_csv(text, include_header=False, quote_style="never")
    return text.getvalue()


def _parsed(text: bytes, delimiter: str, schema: dict[str, pl.String], above: int = 0) -> pl.DataFrame:
    """The cells of the lines, but for some above."""
    quoted = b'"' in text
    sign = '"' if quoted else None
    try:
        frame = pl.read_csv(
            text, has_header=False, separator=delimiter, quote_char=sign, schema=schema, skip_lines=above
        )
    except pl.exceptions.NoDataError:
        return pl.DataFrame(schema=schema)
    empty = [name for name in frame.columns if quoted and (frame[name] == "").any()]
    return frame.with_columns(pl.col(name).replace("", None) for name in empty)


def _emptied(cells: Sequence[str]) -> tuple[str | None, ...]:
    return tuple(cell or None for cell in cells)
