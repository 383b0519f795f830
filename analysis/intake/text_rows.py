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

from analysis.intake.furniture import SUSPECT, is_furniture
from analysis.intake.layout import Layout
from analysis.intake.raw import ROW
from analysis.intake.records import Record, record_at

_WIDEST_PATTERN = 300
AT_ONCE = 200_000
"""Lines."""


@dataclass(frozen=True)
class Careful:
    """A record read with care: the cells of a row, or why it is none, or neither where it is a totals line."""

    row: int
    text: str
    cells: tuple[str | None, ...] | None = None
    why: str = ""
    literal_quotes: bool = False


@dataclass(frozen=True)
class TextRows:
    """The rows of a text: `cells` has ROW and one String column a heading, by place."""

    cells: pl.DataFrame
    careful: tuple[Careful, ...]

    @property
    def broken(self) -> list[Careful]:
        return [record for record in self.careful if record.why]

    @property
    def furniture(self) -> list[int]:
        return [record.row for record in self.careful if record.cells is None and not record.why]

    @property
    def literal_quotes(self) -> list[int]:
        return [record.row for record in self.careful if record.literal_quotes]


def text_rows(lines: pl.Series, plan: Layout, short_rows: bool, text: bytes) -> TextRows:
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
    parts = list(lines.to_frame().iter_slices(AT_ONCE)) or [lines.to_frame()]
    told = (_looked_at(part.to_series(), plan) for part in parts)
    clean, blank = (np.concatenate(one) for one in zip(*told, strict=True))
    within = np.zeros(len(lines), dtype=bool)
    found: list[tuple[int, Record]] = []
    for place in np.flatnonzero(~clean & ~blank).tolist():
        if not within[place]:
            record = record_at(cast("Sequence[str]", lines), place, plan.delimiter, plan.width)
            within[place + 1 : place + record.lines] = True
            found.append((place, record))
    row = plan.rows_above + np.cumsum(~within)
    careful = tuple(_judged(record, int(row[place]), plan.width, short_rows) for place, record in found)
    cells = _clean_cells(lines, clean & ~within, row, plan, text)
    mended = [(record.row, *record.cells) for record in careful if record.cells is not None]
    if mended:
        cells = pl.concat([cells, pl.DataFrame(mended, schema=cells.schema, orient="row")]).sort(ROW)
    return TextRows(cells, careful)


def _looked_at(lines: pl.Series, plan: Layout) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which lines are rows by themselves, and which are blank."""
    blank = (~lines.str.contains(rf'[^\s"{re.escape(plan.delimiter)}]')).to_numpy()
    return _clean(lines, plan).to_numpy() & ~blank, blank


def _clean(lines: pl.Series, plan: Layout) -> pl.Series:
    """Whether a line by itself is a row: as many cells as headings, each quoted as a whole or not at all, no total."""
    suspect = lines.str.strip_chars_start(plan.delimiter + ' "').str.contains(SUSPECT)
    sign = re.escape(plan.delimiter)
    if plan.width > _WIDEST_PATTERN:
        plain = ~lines.str.contains('"', literal=True)
        return plain & (lines.str.count_matches(plan.delimiter, literal=True) == plan.width - 1) & ~suspect
    cell = rf'(?:[^"{sign}]*|"(?:[^"]|"")*")'
    return lines.str.contains(rf"^{cell}(?:{sign}{cell}){{{plan.width - 1}}}$") & ~suspect


def _judged(record: Record, row: int, width: int, short_rows: bool) -> Careful:
    if record.cells is None:
        return Careful(row, record.text, why=record.why)
    if is_furniture(record.cells):
        return Careful(row, record.text)
    found = len(record.cells)
    why = f"{found} cell{'s' if found > 1 else ''} where there are {width} headings"
    if found > width:
        return Careful(row, record.text, why=why)
    if found < width and not short_rows:
        return Careful(row, record.text, why=f"{why}; if the missing ones are empty, say short_rows = true in the map")
    cells = _emptied(record.cells) + (None,) * (width - found)
    return Careful(row, record.text, cells, literal_quotes=record.literal_quotes)


def _clean_cells(lines: pl.Series, clean: np.ndarray, row: np.ndarray, plan: Layout, text: bytes) -> pl.DataFrame:
    schema = {f"c{place}": pl.String() for place in range(plan.width)}
    if clean.all() and not plan.trailing:
        kept, frame = lines, _parsed(text, plan.delimiter, schema, plan.first_line)
    else:
        kept = lines.filter(pl.Series(clean))
        frame = _parsed(_text_of(kept), plan.delimiter, schema)
    if frame.height != len(kept):  # the fast reader saw other rows than there are lines: every line with care
        split = (record_at([line], 0, plan.delimiter).cells or () for line in kept)
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
