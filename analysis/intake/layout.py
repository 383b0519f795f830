"""How a delimited text is laid out: its delimiter, the place of its headings, and where its rows begin."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.intake.furniture import heading_place, is_furniture, unique_headings
from analysis.intake.hint import ReadingHint
from analysis.intake.records import Record, record_at

DELIMITERS = ("\t", ";", "|", ",")
_SAMPLE_RECORDS = 300
_NEARLY_ALL = 0.9
_SEPARATOR_LINE = re.compile(r'"?sep=(.)"?', re.IGNORECASE)


@dataclass(frozen=True)
class Layout:
    """Where a text's table stands.

    `first_line` is the physical line its rows begin on (from 0), `rows_above` the records that a spreadsheet shows above
    them. `trailing`: every row ends with one delimiter too many. `fit` is the share of records, titles counted, that are
    as wide as the heading.
    `named` tells which headings the file wrote itself.
    """

    delimiter: str
    headings: tuple[str, ...]
    first_line: int
    rows_above: int
    trailing: bool
    fit: float
    named: tuple[bool, ...]

    @property
    def width(self) -> int:
        return len(self.headings)


def layout(lines: Sequence[str], delimiter: str | None = None, hints: Sequence[ReadingHint] = ()) -> Layout | None:
    """The layout of a text from its first lines, or None where they are all blank."""
    told = _SEPARATOR_LINE.fullmatch(lines[0]) if lines else None
    skipped = 1 if told else 0
    wanted = delimiter or (told[1] if told else None)
    by_sign = [_layout_by(lines, skipped, sign, hints) for sign in ([wanted] if wanted else DELIMITERS)]
    found = [candidate for candidate in by_sign if candidate is not None]
    if len(found) < len(by_sign):
        return None
    sure = [candidate for candidate in found if candidate.width > 1 and candidate.fit >= _NEARLY_ALL]
    if sure:
        return sure[0]
    return max(
        reversed(found), key=lambda candidate: (candidate.fit * (candidate.width - 1), candidate.width), default=None
    )


def _layout_by(lines: Sequence[str], skipped: int, delimiter: str, hints: Sequence[ReadingHint]) -> Layout | None:
    records = _first_records(lines, skipped, delimiter)
    cells = [record.cells or tuple(record.text.split(delimiter)) for record in records]
    place = heading_place(cells, hints)
    if place is None:
        return None
    rows = [row for row in cells[place + 1 :] if not is_furniture(row)]
    headings, width = list(cells[place]), len(cells[place])
    trailing = bool(rows) and all(len(row) == width + 1 and not row[-1] for row in rows)
    titles = sum(not is_furniture(row) for row in cells[:place])
    fit = sum(len(row) == width + trailing for row in rows) / (len(rows) + titles) if rows or titles else 1.0
    return Layout(
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
