"""The bytes of a text file as UTF-8, by rule and not by guessing a language."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

from analysis.errors import UserError

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_PROBE_BYTES = 1 << 16
_STRAY_ZEROS = 8
_STRAY_CONTROLS = 64
_CONTROL = re.compile(rb"[\x00-\x08\x0e-\x1a\x1c-\x1f\x7f]")
_BYTE_ORDER_MARKS = re.compile(rb"(?:\xef\xbb\xbf)++")
_WINDOWS = "".join(bytes([byte]).decode("cp1252", "ignore") or chr(byte) for byte in range(256))
_PACKED = (
    (b"\x1f\x8b", "gzip"),
    (b"PK\x03\x04", "zip"),
    (b"BZh", "bzip2"),
    (b"\xfd7zXZ", "xz"),
    (b"\x28\xb5\x2f\xfd", "zstd"),
)


@dataclass(frozen=True)
class Decoded:
    """A file's text as UTF-8 bytes with `\\n` line ends, and what a reader should know of how it was read."""

    data: bytes
    notes: tuple[str, ...] = ()


def decode(label: str, data: bytes, encoding: str | None = None) -> Decoded:
    """The text of a file: byte-order mark, then UTF-16 by its zero bytes, then strict UTF-8, then Windows-1252 with a note.

    Parameters
    ----------
    encoding
        What the map says; used where it fits the bytes and no byte-order mark says otherwise.

    Raises
    ------
    UserError
        The bytes are no text, or break off within a character.
    """
    sure = _byte_order_mark(data) or _by_zero_bytes(data)
    if sure:
        return Decoded(_unified(_strict(label, data, sure)))
    _refuse_binary(label, data)
    if encoding is not None:
        try:
            return Decoded(_unified(data.decode(encoding).encode("utf-8")))
        except (UnicodeError, LookupError):
            rest = decode(label, data)
            return Decoded(rest.data, (f"is not written in {encoding}, as the map says", *rest.notes))
    if _is_utf8(data):
        return Decoded(_unified(data))
    return _windows(data)


def _byte_order_mark(data: bytes) -> str | None:
    return next((name for mark, name in _MARKS if data.startswith(mark)), None)


def _by_zero_bytes(data: bytes) -> str | None:
    probe = data[:_PROBE_BYTES]
    even, odd, half = probe[0::2].count(0), probe[1::2].count(0), max(len(probe) // 2, 1)
    if odd > 0.4 * half and even < 0.1 * half:
        return "utf-16-le"
    if even > 0.4 * half and odd < 0.1 * half:
        return "utf-16-be"
    return None


def _strict(label: str, data: bytes, encoding: str) -> bytes:
    try:
        return data.decode(encoding).encode("utf-8")
    except UnicodeError as problem:
        place = f" at byte {problem.start:,}" if isinstance(problem, UnicodeDecodeError) else ""
        raise UserError(
            label,
            f"begins as {encoding.upper()} text, but is damaged{place}",
            "whole characters",
            "export the file again",
        ) from None


def _refuse_binary(label: str, data: bytes) -> None:
    packed = next((name for mark, name in _PACKED if data.startswith(mark)), None)
    if packed:
        raise UserError(
            label, f"a {packed} archive, no text", "rows of text", "unpack it, or give it its right file ending"
        )
    probe = data[:_PROBE_BYTES]
    if probe.count(0) > _STRAY_ZEROS or len(_CONTROL.findall(probe)) > max(_STRAY_CONTROLS, 0.05 * len(probe)):
        raise UserError(
            label, "no text: it is full of control bytes", "rows of text", "export the log as CSV, Excel or Parquet"
        )


def _is_utf8(data: bytes) -> bool:
    if data.isascii():
        return True
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _windows(data: bytes) -> Decoded:
    """Line by line, since files that were written by two programs hold both encodings."""
    utf8_lines, windows_lines, parts = 0, 0, []
    for line in data.split(b"\n"):
        if line.isascii():
            parts.append(line)
        elif _is_utf8(line):
            utf8_lines += 1
            parts.append(line)
        else:
            windows_lines += 1
            parts.append(codecs.charmap_decode(line, "strict", _WINDOWS)[0].encode("utf-8"))
    mixed = f" on {windows_lines} lines; {utf8_lines} others are UTF-8" if utf8_lines else ""
    return Decoded(_unified(b"\n".join(parts)), (f"is not UTF-8 and was read as Windows-1252 (cp1252){mixed}",))


def _unified(data: bytes) -> bytes:
    """The text without byte-order marks, every line ended by `\\n`.

    Lone carriage returns end lines where no line feed does but at the end of the text or within quotation marks.
    """
    marks = _BYTE_ORDER_MARKS.match(data)
    if marks:
        data = data[marks.end() :]
    if b"\r" not in data:
        return data
    data = data.replace(b"\r\r\n", b"\n").replace(b"\r\n", b"\n")
    if b"\r" not in data:
        return data
    unquoted = b"".join(data.rstrip(b"\r\n").split(b'"')[::2])
    return data.replace(b"\r", b"\n") if b"\r" in unquoted and b"\n" not in unquoted else data
