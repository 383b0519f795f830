"""Lines of delimited text as records of cells, with quotation marks read strictly and mended carefully."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.intake.readers import limits

NEVER_CLOSED = "a quotation mark that is never closed"
WITHIN_A_CELL = "a quotation mark within a cell"
_QUOTED = re.compile(r'"((?:[^"]|"")*+)"')


@dataclass(frozen=True)
class Record:
    """One record: the physical lines it takes, its text, and its cells or why it has none."""

    lines: int
    text: str
    cells: tuple[str, ...] | None
    reason: str = ""
    literal_quotes: bool = False


def record_at(lines: Sequence[str], index: int, delimiter: str, width: int | None = None) -> Record:
    """The record that begins on a line; a quoted cell may run over several.

    A quotation mark that never closes spoils its own line and no other; one that is followed by more text is read
    as an ordinary character where the line then has `width` cells.
    """
    record = _strict_record(lines, index, delimiter)
    if record.reason == WITHIN_A_CELL:
        literal = tuple(lines[index].split(delimiter))
        return Record(1, lines[index], literal, literal_quotes=True) if len(literal) == width else record
    if record.cells and record.lines > 1 and width not in (None, len(record.cells)):
        inner = range(index + 1, index + record.lines)
        if any(_stands_alone(lines[line], delimiter, width) for line in inner):
            return Record(1, lines[index], None, NEVER_CLOSED)
    return record


def _strict_record(lines: Sequence[str], index: int, delimiter: str) -> Record:
    text, line_count, start = lines[index], 1, 0
    if '"' not in text:
        return Record(1, text, tuple(text.split(delimiter)))
    cells: list[str] = []
    while start <= len(text):
        if not text.startswith('"', start):
            end = _unquoted_end(text, start, delimiter)
            cells.append(text[start:end])
        else:
            while (quoted := _QUOTED.match(text, start)) is None:
                more = _lines_to_next_quote(lines, index + line_count, limits.LINES_OF_A_CELL - line_count)
                if not more:
                    return Record(1, lines[index], None, NEVER_CLOSED)
                text, line_count = "\n".join([text, *more]), line_count + len(more)
            end = quoted.end()
            if end < len(text) and text[end] != delimiter:
                return Record(1, lines[index], None, WITHIN_A_CELL if line_count == 1 else NEVER_CLOSED)
            cells.append(quoted[1].replace('""', '"'))
        start = end + 1
    return Record(line_count, text, tuple(cells))


def _unquoted_end(text: str, start: int, delimiter: str) -> int:
    end = text.find(delimiter, start)
    return len(text) if end < 0 else end


def _lines_to_next_quote(lines: Sequence[str], index: int, at_most: int) -> list[str]:
    """The lines up to the next one with a quotation mark; none if there is no such line within reach."""
    for line in range(index, min(index + at_most, len(lines))):
        if '"' in lines[line]:
            return list(lines[index : line + 1])
    return []


def _stands_alone(line: str, delimiter: str, width: int | None) -> bool:
    cells = _strict_record([line], 0, delimiter).cells
    return cells is not None and len(cells) == width
