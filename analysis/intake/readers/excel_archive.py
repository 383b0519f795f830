"""Check a workbook before a library opens it: its type, what it unpacks to, and how far the cells of a sheet reach."""

from __future__ import annotations

import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from io import BytesIO

from analysis.errors import UserError
from analysis.intake.readers import limits
from analysis.intake.readers.files import Snapshot

ZIP_SIGNATURE = b"PK\x03\x04"
OLE_SIGNATURE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_DAMAGED = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, ValueError, RuntimeError, KeyError)
_UNPACK_BYTES = 1 << 20
_USES_1904 = re.compile(rb"date1904=[\"'](?:1|true)")
_EXPECTED = "a workbook (.xlsx, .xls or .ods), CSV, JSON lines, Parquet or SQLite"

MAX_CELLS = 5_000_000
"""A sheet whose cells span no larger rectangle is always read: it takes about 350 MB."""
_MAX_CELLS_PER_FILLED = 4
_OVERLAP = 256
"""Bytes; longer than the beginning of a cell."""
_FAR_CELL = re.compile(rb"\sr=[\"'](?:[A-Z]{2,3}[0-9]|[A-Z][0-9]{6})")
"""Beyond column Z or row 99,999."""
_CELL = re.compile(rb"\sr=[\"']([A-Z]{1,3})([0-9]{1,7})[\"']")
_FILLED_CELL = re.compile(rb"<(?:\w+:)?c\s[^>]*?\br=[\"']([A-Z]{1,3})([0-9]{1,7})[\"'][^>]*+(?<!/)>")
_OPENDOCUMENT_TAG = re.compile(
    rb"<table:(table|table-row|table-cell|covered-table-cell)(?=[\s/>])"
    rb"((?:[^>\"'/]++|/(?!>)|\"[^\"]*+\"|'[^']*+')*+)(/?)>"
)
_REPEATED = re.compile(rb"table:number-(?:rows|columns)-repeated=[\"']([0-9]{1,9})[\"']")


def check_workbook(file: Snapshot) -> None:
    """Raise a UserError for a workbook that is damaged, locked, unpacks to too much, or is another kind of document.

    Every part is unpacked once, because the sizes declared in an archive can be false.
    """
    if file.data.startswith(OLE_SIGNATURE):
        _check_old_workbook(file)
        return
    try:
        with zipfile.ZipFile(BytesIO(file.data)) as archive:
            members = archive.infolist()
            _check_unpacked_size(file, sum(member.file_size for member in members))
            if any(member.flag_bits & 1 for member in members):
                raise _locked_error(file.label)
            _check_members(file, archive, members)
            other = _document_type(archive)
    except _DAMAGED as problem:
        raise UserError(
            file.label,
            f"damaged, or not a workbook ({problem})",
            "a complete workbook",
            "save it again from the spreadsheet program",
        ) from None
    if other:
        raise not_a_table_error(file.label, other)


def extent_is_checked(file: Snapshot) -> bool:
    """Whether `check_workbook` sees how far the cells of this file reach: only in an .xlsx or .xlsm."""
    names = _member_names(file)
    return "xl/workbook.xml" in names and "content.xml" not in names


def uses_1904_dates(file: Snapshot) -> bool:
    """Whether an Excel workbook counts days from 1904."""
    try:
        with zipfile.ZipFile(BytesIO(file.data)) as archive:
            return bool(_USES_1904.search(archive.read("xl/workbook.xml")))
    except _DAMAGED:
        return False


def _check_old_workbook(file: Snapshot) -> None:
    """Check a compound file (.xls) by the names of its streams."""
    if _has_stream(file, "EncryptedPackage"):
        raise _locked_error(file.label)
    if _has_stream(file, "WordDocument") and not _has_stream(file, "Workbook"):
        raise not_a_table_error(file.label, "a text document (.doc)")
    if _has_stream(file, "PowerPoint Document") and not _has_stream(file, "Workbook"):
        raise not_a_table_error(file.label, "slides (.ppt)")


def _has_stream(file: Snapshot, name: str) -> bool:
    return name.encode("utf-16-le") in file.data


def _document_type(archive: zipfile.ZipFile) -> str:
    """What a zip archive is if it is not a workbook; empty for a workbook."""
    names = {name.replace("\\", "/").lower() for name in archive.namelist()}
    if "content.xml" in names:
        kind = archive.read("mimetype") if "mimetype" in names else b"spreadsheet"
        return "" if b"spreadsheet" in kind else "a text document or slides (.odt, .odp)"
    if names & {"xl/workbook.xml", "xl/workbook.bin"}:
        return ""
    if any(name.startswith("word/") for name in names):
        return "a text document (.docx)"
    return "slides (.pptx)" if any(name.startswith("ppt/") for name in names) else "a zip archive"


def _member_names(file: Snapshot) -> list[str]:
    try:
        with zipfile.ZipFile(BytesIO(file.data)) as archive:
            return archive.namelist()
    except _DAMAGED:
        return []


def _check_members(file: Snapshot, archive: zipfile.ZipFile, members: list[zipfile.ZipInfo]) -> None:
    unpacked = 0
    for member in members:
        if member.filename.endswith((".xml", ".rels", ".bin")):
            for chunk in _read_chunks(archive, member):
                unpacked += len(chunk)
                _check_unpacked_size(file, unpacked)
    for member in members:
        if member.filename.startswith("xl/worksheets/"):
            _refuse_sparse_sheet(file, archive, member)
        elif member.filename == "content.xml":
            for number, extent in enumerate(_extents_of_opendocument(archive.read(member)), 1):
                if extent.sparse:
                    raise _sparse_sheet_error(file, f"sheet {number}", extent)


def _read_chunks(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> Iterator[bytes]:
    with archive.open(member) as stream:
        while chunk := stream.read(_UNPACK_BYTES):
            yield chunk


def _check_unpacked_size(file: Snapshot, unpacked: int) -> None:
    limit = limits.max_unpacked_bytes(len(file.data))
    if unpacked > limit:
        raise UserError(
            file.label,
            f"a workbook of {len(file.data):,} bytes that unpacks to more than {limit:,}",
            "a workbook of rows",
            "check where the file comes from; export its rows as CSV",
        )


def _refuse_sparse_sheet(file: Snapshot, archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> None:
    """Raise a UserError if a sheet spans far more cells than are filled: the library makes room for all of them."""
    if not any(_FAR_CELL.search(chunk) for chunk in _overlap_chunks(_read_chunks(archive, member))):
        return  # so MAX_CELLS cannot be exceeded
    for pattern in (_CELL, _FILLED_CELL):  # cells with a format but no value take no room
        extent = _measure_sheet(pattern, _read_chunks(archive, member))
        if not extent.sparse:
            return
    raise _sparse_sheet_error(file, member.filename, extent)


def _sparse_sheet_error(file: Snapshot, sheet: str, extent: _SheetSize) -> UserError:
    return UserError(
        file.label,
        f"a sheet ({sheet}) of {extent.filled:,} filled cells that reaches to row {extent.rows:,} and column "
        f"{extent.columns:,}",
        "a table of bleeds without cells far away from it",
        "delete the cells far below or to the right of the table, or export its rows as CSV",
    )


@dataclass(frozen=True)
class _SheetSize:
    """The rectangle from the first cell of a sheet to its last row and column, and the number of filled cells in it."""

    columns: int
    rows: int
    filled: int

    @property
    def sparse(self) -> bool:
        cells = self.columns * self.rows
        return cells > MAX_CELLS and cells > _MAX_CELLS_PER_FILLED * self.filled


def _measure_sheet(pattern: re.Pattern[bytes], chunks: Iterable[bytes]) -> _SheetSize:
    columns, rows, filled = {b"@"}, 0, 0
    for chunk in _overlap_chunks(chunks):
        cells = pattern.findall(chunk)
        filled += len(cells)
        columns |= {letters for letters, _ in cells}
        rows = max(rows, max((int(row) for row in {row for _, row in cells}), default=0))
    return _SheetSize(max(map(_column_number, columns)), rows, filled)


def _extents_of_opendocument(content: bytes) -> Iterator[_SheetSize]:
    """The extent of each sheet, a cell written once and repeated filled once (OpenDocument 1.3, part 3, 19.675 and 19.677)."""
    extent, row, height, column = _SheetSize(0, 0, 0), 0, 0, 0
    for tag in _OPENDOCUMENT_TAG.finditer(content):
        kind, attributes, is_empty = tag.groups()
        repeated = _REPEATED.search(attributes)
        count = min(int(repeated[1]), MAX_CELLS) if repeated else 1
        if kind == b"table":
            if extent.filled:
                yield extent
            extent, row, height = _SheetSize(0, 0, 0), 0, 0
        elif kind == b"table-row":
            row, height, column = row + height, count, 0
        else:
            column += count
            if not is_empty or b"value" in attributes:
                extent = _SheetSize(max(extent.columns, column), row + height, extent.filled + 1)
    if extent.filled:
        yield extent


def _overlap_chunks(chunks: Iterable[bytes]) -> Iterator[bytes]:
    """Each chunk after the end of the previous one, so that the beginning of a cell is always complete."""
    end = b""
    for chunk in chunks:
        yield end + chunk
        end = chunk[-_OVERLAP:]


def _column_number(letters: bytes) -> int:
    """The number of a column from its letters: A is 1, AA is 27."""
    number = 0
    for letter in letters:
        number = 26 * number + letter - 64
    return number


def _locked_error(label: str) -> UserError:
    return UserError(label, "locked by a password", "a workbook without a password", "save a copy without a password")


def not_a_table_error(label: str, kind: str) -> UserError:
    """The error for a document that cannot be a log, such as a letter."""
    return UserError(label, f"not a table: {kind}", _EXPECTED, "export the log as a table")
