"""A workbook is a zip archive: what it would unpack to is weighed before anything opens it."""

from __future__ import annotations

import zipfile
import zlib
from io import BytesIO

from analysis.errors import CannotRun
from analysis.intake import limits
from analysis.intake.snapshot import Snapshot

ZIP = b"PK\x03\x04"
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_LOCKED = "EncryptedPackage".encode("utf-16-le")
_CHUNK = 1 << 20


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
            _weigh(file, sum(member.file_size for member in members))
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
        raise CannotRun(
            file.label,
            f"damaged, or no workbook ({problem})",
            "a whole workbook",
            "save it again from the spreadsheet program",
        ) from None


def _unpack(file: Snapshot, archive: zipfile.ZipFile, members: list[zipfile.ZipInfo]) -> None:
    unpacked = 0
    for member in members:
        if member.filename == "content.xml" or member.filename.endswith((".xml", ".rels", ".bin")):
            with archive.open(member) as stream:
                while chunk := stream.read(_CHUNK):
                    unpacked += len(chunk)
                    _weigh(file, unpacked)


def _weigh(file: Snapshot, unpacked: int) -> None:
    most = limits.most_unpacked(len(file.data))
    if unpacked > most:
        raise CannotRun(
            file.label,
            f"a workbook of {len(file.data):,} bytes that unpacks to more than {most:,}",
            "a workbook of rows",
            "check where it comes from; export its rows as CSV",
        )


def _locked(label: str) -> CannotRun:
    return CannotRun(label, "locked by a password", "an open workbook", "save a copy without a password")
