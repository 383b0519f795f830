"""Decode the bytes of a text file by fixed rules."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

from analysis.errors import UserError

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
