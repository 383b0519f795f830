"""Lines of delimited text as records of cells, with quotation marks read strictly and mended carefully."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.intake import limits

NEVER_CLOSED = "a quotation mark that is never closed"
WITHIN_A_CELL = "a quotation mark within a cell"
_QUOTED = re.compile(r'"((?:[^"]|"")*+)"')


@dataclass(frozen=True)
class Record:
    """One record: the physical lines it takes, its text, and its cells or why it has none."""

    lines: int
    text: str
    cells: tuple[str, ...] | None
    why: str = ""
    literal_quotes: bool = False


def record_at(lines: Sequence[str], place: int, delimiter: str, width: int | None = None) -> Record:
    """The record that begins on a line; a quoted cell may run over several.

    A quotation mark that never closes spoils its own line and no other; one that is followed by more text is read
    as an ordinary character where the line then has `width` cells.
    """
    record = _strict_record(lines, place, delimiter)
    if record.why == WITHIN_A_CELL:
        literal = tuple(lines[place].split(delimiter))
        return Record(1, lines[place], literal, literal_quotes=True) if len(literal) == width else record
    if record.cells and record.lines > 1 and width not in (None, len(record.cells)):
        inner = range(place + 1, place + record.lines)
        if any(_stands_alone(lines[line], delimiter, width) for line in inner):
            return Record(1, lines[place], None, NEVER_CLOSED)
    return record


def _strict_record(lines: Sequence[str], place: int, delimiter: str) -> Record:
    text, taken, start = lines[place], 1, 0
    if '"' not in text:
        return Record(1, text, tuple(text.split(delimiter)))
    cells: list[str] = []
    while start <= len(text):
        if not text.startswith('"', start):
            end = _unquoted_end(text, start, delimiter)
            cells.append(text[start:end])
        else:
            while (quoted := _QUOTED.match(text, start)) is None:
                more = _lines_to_next_quote(lines, place + taken, limits.LINES_OF_A_CELL - taken)
                if not more:
                    return Record(1, lines[place], None, NEVER_CLOSED)
                text, taken = "\n".join([text, *more]), taken + len(more)
            end = quoted.end()
            if end < len(text) and text[end] != delimiter:
                return Record(1, lines[place], None, WITHIN_A_CELL if taken == 1 else NEVER_CLOSED)
            cells.append(quoted[1].replace('""', '"'))
        start = end + 1
    return Record(taken, text, tuple(cells))


def _unquoted_end(text: str, start: int, delimiter: str) -> int:
    end = text.find(delimiter, start)
    return len(text) if end < 0 else end


def _lines_to_next_quote(lines: Sequence[str], place: int, at_most: int) -> list[str]:
    """The lines up to the next one with a quotation mark; none if there is no such line within reach."""
    for line in range(place, min(place + at_most, len(lines))):
        if '"' in lines[line]:
            return list(lines[place : line + 1])
    return []


def _stands_alone(line: str, delimiter: str, width: int | None) -> bool:
    cells = _strict_record([line], 0, delimiter).cells
    return cells is not None and len(cells) == width
