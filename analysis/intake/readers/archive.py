"""A workbook is a zip archive: what it would unpack to is weighed before anything opens it."""

from __future__ import annotations

import re
import zipfile
import zlib
from collections.abc import Iterator
from io import BytesIO

from analysis.errors import UserError
from analysis.intake.extent import sparse_extent
from analysis.intake.readers import limits
from analysis.intake.readers.snapshot import Snapshot

ZIP = b"PK\x03\x04"
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_LOCKED = "EncryptedPackage".encode("utf-16-le")
_SHEETS = "xl/worksheets/"
_CHUNK = 1 << 20
_FROM_1904 = re.compile(rb"date1904=[\"'](?:1|true)")


def refuse_hostile_archive(file: Snapshot) -> None:
    """Refuse a workbook that is cut off, locked, or unpacks to far more than it is.

    Every member is unpacked once in passing, since the sizes an archive declares may lie.
    """
    if file.data.startswith(OLE):
        if _LOCKED in file.data:
            raise _locked(file.label)
        return
    try:
        with zipfile.ZipFile(BytesIO(file.data)) as archive:
            members = archive.infolist()
            _check_unpacked_size(file, sum(member.file_size for member in members))
            if any(member.flag_bits & 1 for member in members):
                raise _locked(file.label)
            _unpack(file, archive, members)
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        NotImplementedError,
        OSError,
        ValueError,
        RuntimeError,
    ) as problem:
        raise UserError(
            file.label,
            f"damaged, or no workbook ({problem})",
            "a whole workbook",
            "save it again from the spreadsheet program",
        ) from None


def cells_are_weighed(file: Snapshot) -> bool:
    """Whether `refuse_hostile_archive` sees how far the cells reach: in an .xlsx or .xlsm, by what it holds."""
    try:
        with zipfile.ZipFile(BytesIO(file.data)) as archive:
            names = archive.namelist()
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError):
        return False
    return "xl/workbook.xml" in names and "content.xml" not in names


def counts_from_1904(file: Snapshot) -> bool:
    """Whether an Excel workbook counts days from 1904."""
    try:
        with zipfile.ZipFile(BytesIO(file.data)) as archive:
            return bool(_FROM_1904.search(archive.read("xl/workbook.xml")))
    except (zipfile.BadZipFile, KeyError, ValueError, OSError, NotImplementedError):
        return False


def _unpack(file: Snapshot, archive: zipfile.ZipFile, members: list[zipfile.ZipInfo]) -> None:
    unpacked = 0
    for member in members:
        if member.filename == "content.xml" or member.filename.endswith((".xml", ".rels", ".bin")):
            for chunk in _chunks(archive, member):
                unpacked += len(chunk)
                _check_unpacked_size(file, unpacked)
    for member in members:
        if member.filename.startswith(_SHEETS):
            _refuse_sparse(file, archive, member)


def _chunks(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> Iterator[bytes]:
    with archive.open(member) as stream:
        while chunk := stream.read(_CHUNK):
            yield chunk


def _refuse_sparse(file: Snapshot, archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> None:
    extent = sparse_extent(lambda: _chunks(archive, member))
    if extent is not None:
        raise UserError(
            file.label,
            f"a sheet ({member.filename}) of {extent.filled:,} filled cells that reaches to row {extent.rows:,} and column "
            f"{extent.columns:,}",
            "a table of bleeds without cells far away from it",
            "delete the cells far below or to the right of the table, or export its rows as CSV",
        )


def _check_unpacked_size(file: Snapshot, unpacked: int) -> None:
    most = limits.most_unpacked(len(file.data))
    if unpacked > most:
        raise UserError(
            file.label,
            f"a workbook of {len(file.data):,} bytes that unpacks to more than {most:,}",
            "a workbook of rows",
            "check where it comes from; export its rows as CSV",
        )


def _locked(label: str) -> UserError:
    return UserError(label, "locked by a password", "an open workbook", "save a copy without a password")
