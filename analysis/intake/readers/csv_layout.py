"""How a delimited text is laid out: its delimiter, the place of its headings, and where its rows begin."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.intake.readers.csv_records import Record, record_at
from analysis.intake.readers.non_data_rows import heading_row, is_non_data_row, unique_headings
from analysis.intake.readers.reading_hint import ReadingHint

DELIMITERS = ("\t", ";", "|", ",")
_SAMPLE_RECORDS = 300
_NEARLY_ALL = 0.9
_SEPARATOR_LINE = re.compile(r'"?sep=(.)"?', re.IGNORECASE)


@dataclass(frozen=True)
class CsvLayout:
    """Where a text's table stands.

    `first_line` is the physical line its rows begin on (from 0), `rows_above` the records that a spreadsheet shows above
    them. `trailing`: every row ends with one delimiter too many. `fit` is the share of records, titles counted, that are
    as wide as the heading.
    `has_heading` tells which headings the file wrote itself.
    """

    delimiter: str
    headings: tuple[str, ...]
    first_line: int
    rows_above: int
    trailing: bool
    fit: float
    has_heading: tuple[bool, ...]

    @property
    def width(self) -> int:
        return len(self.headings)


def csv_layout(
    lines: Sequence[str], delimiter: str | None = None, hints: Sequence[ReadingHint] = ()
) -> CsvLayout | None:
    """The layout of a text from its first lines, or None where they are all blank."""
    separator_line = _SEPARATOR_LINE.fullmatch(lines[0]) if lines else None
    skipped = 1 if separator_line else 0
    wanted = delimiter or (separator_line[1] if separator_line else None)
    by_sign = [_layout_with(lines, skipped, sign, hints) for sign in ([wanted] if wanted else DELIMITERS)]
    layouts = [candidate for candidate in by_sign if candidate is not None]
    if len(layouts) < len(by_sign):
        return None
    sure = [candidate for candidate in layouts if candidate.width > 1 and candidate.fit >= _NEARLY_ALL]
    if sure:
        return sure[0]
    return max(
        reversed(layouts), key=lambda candidate: (candidate.fit * (candidate.width - 1), candidate.width), default=None
    )


def _layout_with(lines: Sequence[str], skipped: int, delimiter: str, hints: Sequence[ReadingHint]) -> CsvLayout | None:
    records = _first_records(lines, skipped, delimiter)
    cells = [record.cells or tuple(record.text.split(delimiter)) for record in records]
    place = heading_row(cells, hints)
    if place is None:
        return None
    rows = [row for row in cells[place + 1 :] if not is_non_data_row(row)]
    headings, width = list(cells[place]), len(cells[place])
    trailing = bool(rows) and all(len(row) == width + 1 and not row[-1] for row in rows)
    titles = sum(not is_non_data_row(row) for row in cells[:place])
    fit = sum(len(row) == width + trailing for row in rows) / (len(rows) + titles) if rows or titles else 1.0
    return CsvLayout(
        delimiter,
        tuple(unique_headings(headings)),
        skipped + sum(record.lines for record in records[: place + 1]),
        place + 1,
        trailing,
        fit,
        tuple(bool(cell and cell.strip()) for cell in headings),
    )


def _first_records(lines: Sequence[str], skipped: int, delimiter: str) -> list[Record]:
    records: list[Record] = []
    place = skipped
    while place < len(lines) and len(records) < _SAMPLE_RECORDS:
        records.append(record_at(lines, place, delimiter))
        place += records[-1].lines
    return records
