"""Text files: their encoding, and the separator, quotes and heading row of delimited text."""

from __future__ import annotations

import codecs
import re
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.errors import UserError
from analysis.intake.readers import limits
from analysis.intake.readers.raw_table import ReadingHint, find_heading_row, is_non_data_row, make_headings_unique

_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_SAMPLE_BYTES = 1 << 16
_MAX_ZERO_BYTES = 8
_MAX_CONTROL_BYTES = 64
_CONTROL = re.compile(rb"[\x00-\x08\x0e-\x1a\x1c-\x1f\x7f]")
_REPEATED_MARK = re.compile(rb"(?:\xef\xbb\xbf)++")
_WINDOWS_1252 = "".join(bytes([byte]).decode("cp1252", "ignore") or chr(byte) for byte in range(256))
"""The character of each byte; five bytes that Windows-1252 leaves undefined stay as they are."""
_ARCHIVES = (
    (b"\x1f\x8b", "gzip"),
    (b"PK\x03\x04", "zip"),
    (b"BZh", "bzip2"),
    (b"\xfd7zXZ", "xz"),
    (b"\x28\xb5\x2f\xfd", "zstd"),
)
DELIMITERS = ("\t", ";", "|", ",")
_SAMPLE_RECORDS = 300
_NEARLY_ALL = 0.9
_SEPARATOR_LINE = re.compile(r'"?sep=(.)"?', re.IGNORECASE)
_NEVER_CLOSED = "a quotation mark that is never closed"
_WITHIN_A_CELL = "a quotation mark within a cell"
_QUOTED_CELL = re.compile(r'"((?:[^"]|"")*+)"')


@dataclass(frozen=True)
class DecodedText:
    """The text of a file as UTF-8 bytes with `\\n` line ends, and notes on how it was decoded."""

    data: bytes
    notes: tuple[str, ...] = ()


def decode(label: str, data: bytes, encoding: str | None = None) -> DecodedText:
    """Decode by byte-order mark, then as UTF-16 by its zero bytes, then as UTF-8, else as Windows-1252 with a note.

    Parameters
    ----------
    encoding
        The encoding given in the map; used if it fits the bytes and there is no byte-order mark.

    Raises
    ------
    UserError
        The bytes are not text, or end within a character.
    """
    certain = _byte_order_mark(data) or _utf16_by_zero_bytes(data)
    if certain:
        return DecodedText(_normalise_line_ends(_to_utf8(label, data, certain)))
    _refuse_binary(label, data)
    if encoding is not None:
        try:
            return DecodedText(_normalise_line_ends(data.decode(encoding).encode("utf-8")))
        except (UnicodeError, LookupError):
            text = decode(label, data)
            return DecodedText(text.data, (f"not written in {encoding}, although the map says so", *text.notes))
    if _is_utf8(data):
        return DecodedText(_normalise_line_ends(data))
    return _decode_windows(data)


def _byte_order_mark(data: bytes) -> str | None:
    return next((name for mark, name in _BYTE_ORDER_MARKS if data.startswith(mark)), None)


def _utf16_by_zero_bytes(data: bytes) -> str | None:
    sample = data[:_SAMPLE_BYTES]
    even, odd, half = sample[0::2].count(0), sample[1::2].count(0), max(len(sample) // 2, 1)
    if odd > 0.4 * half and even < 0.1 * half:
        return "utf-16-le"
    if even > 0.4 * half and odd < 0.1 * half:
        return "utf-16-be"
    return None


def _to_utf8(label: str, data: bytes, encoding: str) -> bytes:
    try:
        return data.decode(encoding).encode("utf-8")
    except UnicodeError as problem:
        position = f" at byte {problem.start:,}" if isinstance(problem, UnicodeDecodeError) else ""
        raise UserError(
            label,
            f"starts as {encoding.upper()} text, but is damaged{position}",
            "complete characters",
            "export the file again",
        ) from None


def _refuse_binary(label: str, data: bytes) -> None:
    archive = next((name for mark, name in _ARCHIVES if data.startswith(mark)), None)
    if archive:
        raise UserError(
            label,
            f"a {archive} archive, not text",
            "rows of text",
            "unpack it, or give it the right file extension",
        )
    sample = data[:_SAMPLE_BYTES]
    controls = len(_CONTROL.findall(sample))
    if sample.count(0) > _MAX_ZERO_BYTES or controls > max(_MAX_CONTROL_BYTES, 0.05 * len(sample)):
        raise UserError(
            label, "not text: full of control bytes", "rows of text", "export the log as CSV, Excel or Parquet"
        )


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _decode_windows(data: bytes) -> DecodedText:
    """Decode line by line, since a file written by two programs can have both encodings."""
    utf8_lines, windows_lines, lines = 0, 0, []
    for line in data.split(b"\n"):
        if line.isascii():
            lines.append(line)
        elif _is_utf8(line):
            utf8_lines += 1
            lines.append(line)
        else:
            windows_lines += 1
            lines.append(codecs.charmap_decode(line, "strict", _WINDOWS_1252)[0].encode("utf-8"))
    both = f" on {windows_lines} lines; {utf8_lines} other lines are UTF-8" if utf8_lines else ""
    note = f"not UTF-8; read as Windows-1252 (cp1252){both}"
    return DecodedText(_normalise_line_ends(b"\n".join(lines)), (note,))


def _normalise_line_ends(data: bytes) -> bytes:
    """The text without byte-order marks, and with every line ended by `\\n`.

    Single carriage returns end lines if no line feed does, except at the end of the text or within quotation marks.
    """
    marks = _REPEATED_MARK.match(data)
    if marks:
        data = data[marks.end() :]
    data = data.replace(b"\r\r\n", b"\n").replace(b"\r\n", b"\n")
    if b"\r" not in data:
        return data
    unquoted = b"".join(data.rstrip(b"\r\n").split(b'"')[::2])
    return data.replace(b"\r", b"\n") if b"\r" in unquoted and b"\n" not in unquoted else data


@dataclass(frozen=True)
class CsvRecord:
    """One record: how many lines it takes, its text, and its cells or the reason why it has none."""

    lines: int
    text: str
    cells: tuple[str, ...] | None
    reason: str = ""
    literal_quotes: bool = False


@dataclass(frozen=True)
class CsvLayout:
    """How the table of a text is laid out.

    Parameters
    ----------
    headings
        As written, but numbered where repeated and named by position where empty; `has_heading`: those not empty.
    first_line
        The line its rows start on, from 0.
    rows_above
        Records above the rows, as a spreadsheet program counts them.
    trailing
        Whether every row ends with an extra delimiter.
    fit
        The share of records, titles included, with as many cells as headings.
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
    """Find the layout of a text from its first lines; None if all of them are blank.

    The delimiter is the given one, else that of a separator line (`sep=;`), else the first of `DELIMITERS` that gives
    nearly every record as many cells as headings, unless a later one fits better and gives more columns: a semicolon
    in every note of a file with commas does not fit the headings.
    """
    separator_line = _SEPARATOR_LINE.fullmatch(lines[0]) if lines else None
    start = 1 if separator_line else 0
    delimiter = delimiter or (separator_line[1] if separator_line else None)
    candidates = [delimiter] if delimiter else DELIMITERS
    layouts = [
        layout for each in candidates if (layout := _layout_for_delimiter(lines, start, each, hints)) is not None
    ]
    if len(layouts) < len(candidates):
        return None
    good = [layout for layout in layouts if layout.width > 1 and layout.fit >= _NEARLY_ALL]
    if not good:
        return max(reversed(layouts), key=lambda layout: (layout.fit * (layout.width - 1), layout.width))
    first = good[0]
    return next((layout for layout in good if layout.fit > first.fit and layout.width > first.width), first)


def record_at(lines: Sequence[str], index: int, delimiter: str, width: int | None = None) -> CsvRecord:
    """Read the record that starts on a line; a quoted cell may continue on the following lines (RFC 4180, section 2).

    A quotation mark that is never closed spoils only its own line. One followed by more text is read as an ordinary
    character if the line then has `width` cells.
    """
    record = _strict_record(lines, index, delimiter)
    if record.reason == _WITHIN_A_CELL:
        cells = tuple(lines[index].split(delimiter))
        return CsvRecord(1, lines[index], cells, literal_quotes=True) if len(cells) == width else record
    if record.cells and record.lines > 1 and width not in (None, len(record.cells)):
        following = range(index + 1, index + record.lines)
        if any(_is_complete_row(lines[line], delimiter, width) for line in following):
            return CsvRecord(1, lines[index], None, _NEVER_CLOSED)
    return record


def _layout_for_delimiter(
    lines: Sequence[str], start: int, delimiter: str, hints: Sequence[ReadingHint]
) -> CsvLayout | None:
    records = _first_records(lines, start, delimiter)
    cells = [record.cells or tuple(record.text.split(delimiter)) for record in records]
    heading = find_heading_row(cells, hints)
    if heading is None:
        return None
    rows = [row for row in cells[heading + 1 :] if not is_non_data_row(row)]
    width = len(cells[heading])
    trailing = bool(rows) and all(len(row) == width + 1 and not row[-1] for row in rows)
    titles = sum(not is_non_data_row(row) for row in cells[:heading])
    fit = sum(len(row) == width + trailing for row in rows) / (len(rows) + titles) if rows or titles else 1.0
    return CsvLayout(
        delimiter=delimiter,
        headings=tuple(make_headings_unique(cells[heading])),
        first_line=start + sum(record.lines for record in records[: heading + 1]),
        rows_above=heading + 1,
        trailing=trailing,
        fit=fit,
        has_heading=tuple(bool(cell and cell.strip()) for cell in cells[heading]),
    )


def _first_records(lines: Sequence[str], start: int, delimiter: str) -> list[CsvRecord]:
    records: list[CsvRecord] = []
    while start < len(lines) and len(records) < _SAMPLE_RECORDS:
        records.append(record_at(lines, start, delimiter))
        start += records[-1].lines
    return records


def _strict_record(lines: Sequence[str], index: int, delimiter: str) -> CsvRecord:
    text, line_count, start = lines[index], 1, 0
    if '"' not in text:
        return CsvRecord(1, text, tuple(text.split(delimiter)))
    cells: list[str] = []
    while start <= len(text):
        if not text.startswith('"', start):
            end = _unquoted_end(text, start, delimiter)
            cells.append(text[start:end])
        else:
            while (quoted := _QUOTED_CELL.match(text, start)) is None:
                more = _lines_to_next_quote(lines, index + line_count, limits.LINES_PER_CELL - line_count)
                if not more:
                    return CsvRecord(1, lines[index], None, _NEVER_CLOSED)
                text, line_count = "\n".join([text, *more]), line_count + len(more)
            end = quoted.end()
            if end < len(text) and text[end] != delimiter:
                return CsvRecord(1, lines[index], None, _WITHIN_A_CELL if line_count == 1 else _NEVER_CLOSED)
            cells.append(quoted[1].replace('""', '"'))
        start = end + 1
    return CsvRecord(line_count, text, tuple(cells))


def _unquoted_end(text: str, start: int, delimiter: str) -> int:
    end = text.find(delimiter, start)
    return len(text) if end < 0 else end


def _lines_to_next_quote(lines: Sequence[str], index: int, limit: int) -> list[str]:
    """The lines up to the next one with a quotation mark; empty if none of the next `limit` lines has one."""
    for line in range(index, min(index + limit, len(lines))):
        if '"' in lines[line]:
            return list(lines[index : line + 1])
    return []


def _is_complete_row(line: str, delimiter: str, width: int | None) -> bool:
    cells = _strict_record([line], 0, delimiter).cells
    return cells is not None and len(cells) == width
