"""From the exports a user names to raw tables: files, folders, workbooks, and databases by their address."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote

from analysis.errors import EmptyExport, UserError
from analysis.intake.readers.csv import csv_table
from analysis.intake.readers.excel import workbook_tables
from analysis.intake.readers.excel_archive import OLE_SIGNATURE, ZIP_SIGNATURE, not_a_table_error
from analysis.intake.readers.files import (
    FILE_TYPES,
    SQLITE_SIGNATURE,
    Snapshot,
    folder_files,
    printable_path,
    refuse_special,
    snapshot,
    stat_file,
)
from analysis.intake.readers.frames import jsonl_table, parquet_table
from analysis.intake.readers.library_failures import CrashGuard
from analysis.intake.readers.raw_table import (
    RawTables,
    ReadingHint,
    SkippedFile,
    drop_repeated_heading_rows,
    reject_long_cells,
)
from analysis.intake.readers.sql import hide_password, is_address, parse_address
from analysis.intake.readers.sqlite import sqlite_tables

_SIGNATURES = ((SQLITE_SIGNATURE, "sqlite"), (b"PAR1", "parquet"), (OLE_SIGNATURE, "workbook"))
_DOCUMENT_EXTENSIONS = {".doc", ".docx", ".odt", ".rtf", ".pdf", ".ppt", ".pptx", ".odp", ".htm", ".html"}
_DOCUMENT_SIGNATURES = ((b"%PDF-", ".pdf"), (b"{\\rtf", ".rtf"))
_POSTGRES_SCHEMES = {"postgresql", "postgres", "postgresql+psycopg"}


def raw_tables(exports: Sequence[str], hints: Sequence[ReadingHint] = ()) -> RawTables:
    """Read every table of the exports.

    Parameters
    ----------
    exports
        Files, folders, `book.xlsx#sheet`, `shop.sqlite#table`, or database addresses.
    hints
        How the map wants text files with certain headings to be read.

    Raises
    ------
    UserError
        An export cannot be read; the message names it, and never shows a password.
    """
    with CrashGuard() as guard:
        reader = _ExportReader(hints, guard)
        parts = [part for export in exports for part in reader.read_export(export)]
    tables = tuple(drop_repeated_heading_rows(reject_long_cells(table)) for part in parts for table in part.tables)
    skipped = tuple(each for part in parts for each in part.skipped)
    notes = tuple(f"{table.file}: {note}" for table in tables for note in table.notes)
    return RawTables(tables, skipped, notes)


@dataclass(frozen=True)
class _NamedFile:
    """A path, and the sheet, table or query named after the `#`."""

    path: Path
    target: str | None


class _ExportReader:
    """Read exports one after another, each file once."""

    def __init__(self, hints: Sequence[ReadingHint], guard: CrashGuard) -> None:
        self._hints, self._guard = hints, guard
        self._files_read: set[tuple[int, int, str | None]] = set()

    def read_export(self, export: str) -> Iterator[RawTables]:
        if not export:
            raise UserError("an empty name", "no file", "a file, a folder or a database", "name an export")
        if is_address(export):
            yield database_tables(export)
            return
        file = _named_file(export)
        status = stat_file(file.path)
        if not stat.S_ISDIR(status.st_mode):
            yield self._read_once(file, status)
            return
        if file.target is not None:
            raise UserError(
                printable_path(export), "a folder has no tables to choose from", "a file before the #", "name the file"
            )
        yield from self._read_folder(file.path)

    def _read_folder(self, path: Path) -> Iterator[RawTables]:
        folder = folder_files(path)
        yield RawTables((), folder.skipped)
        for file in folder.files:
            try:
                yield self._read_once(_NamedFile(file, None), stat_file(file))
            except EmptyExport as empty:
                yield RawTables((), (SkippedFile(empty.location, empty.problem),))

    def _read_once(self, file: _NamedFile, status: os.stat_result) -> RawTables:
        key = (status.st_dev, status.st_ino, file.target)
        if key in self._files_read:
            return RawTables((), (SkippedFile(printable_path(file.path), "named twice, read once"),))
        self._files_read.add(key)
        return self._read_file(file)

    def _read_file(self, named_file: _NamedFile) -> RawTables:
        label = printable_path(named_file.path)
        refuse_special(label, stat_file(named_file.path))
        file = snapshot(named_file.path, label)
        if not file.data:
            raise EmptyExport(label, "an empty file", "headings and rows", "export the log again")
        document = _document_type(named_file.path, file.data)
        if document:
            raise not_a_table_error(label, document)
        file_type = _file_type(named_file.path, file.data)
        if file_type == "workbook":
            return self._read_workbook(file, named_file.target)
        if file_type == "sqlite":
            return _read_sqlite(file, named_file)
        if named_file.target is not None:
            raise UserError(
                f"{label}#{named_file.target}",
                "this file has only one table",
                label,
                "leave out the # and what follows it",
            )
        if file_type == "parquet":
            self._guard.reject_if_crashes(file, "Parquet file")
            return RawTables((parquet_table(file),))
        return RawTables((jsonl_table(file) if file_type == "jsonl" else csv_table(file, self._hints),))

    def _read_workbook(self, file: Snapshot, sheet: str | None) -> RawTables:
        tables = workbook_tables(file, self._hints, sheet, lambda: self._guard.reject_if_crashes(file, "workbook"))
        if not tables.tables:
            raise EmptyExport(
                file.label, "a workbook without a filled cell", "a sheet with headings and rows", "export the log again"
            )
        return tables


def _named_file(export: str) -> _NamedFile:
    """The whole export if such a file exists, otherwise what precedes the first `#` that leaves an existing file."""
    path = Path(export)
    if _path_exists(path) or "#" not in export:
        return _NamedFile(path, None)
    for position in (index for index, character in enumerate(export) if character == "#"):
        path = Path(export[:position])
        if position and _path_exists(path):
            return _NamedFile(path, export[position + 1 :].strip() or None)
    return _NamedFile(Path(export.partition("#")[0]), None)


def _path_exists(path: Path) -> bool:
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def _document_type(path: Path, data: bytes) -> str | None:
    """The extension of a document that is not a table; None for any other file."""
    extension = path.suffix.lower()
    if extension in _DOCUMENT_EXTENSIONS:
        return extension
    return next((name for signature, name in _DOCUMENT_SIGNATURES if data.startswith(signature)), None)


def _file_type(path: Path, data: bytes) -> str:
    """The type by the first bytes if they are certain, else by the extension, else by the start of the text."""
    by_signature = next((name for signature, name in _SIGNATURES if data.startswith(signature)), None)
    file_type = by_signature or FILE_TYPES.get(path.suffix.lower())
    if file_type:
        return file_type
    if data.startswith(ZIP_SIGNATURE):
        return "workbook"
    return "jsonl" if data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{") else "text"


def _read_sqlite(file: Snapshot, named_file: _NamedFile) -> RawTables:
    tables = sqlite_tables(file, named_file.path, named_file.target)
    if not tables.tables:
        raise EmptyExport(file.label, "a database without a table", "a table of bleeds", "export the log again")
    return tables


def database_tables(export: str) -> RawTables:
    """Read the table, the result of the SELECT, or all tables that an address names.

    Raises
    ------
    UserError
        The kind of database is not supported, or it cannot be read; the message shows no password.
    """
    scheme = export.partition("://")[0].lower()
    if scheme == "sqlite":
        return _sqlite_tables(export)
    if scheme in _POSTGRES_SCHEMES:
        from analysis.intake.readers.postgres import postgres_tables

        return postgres_tables(parse_address(export))
    raise UserError(
        hide_password(export),
        f"addresses starting with {scheme}:// are not supported",
        "sqlite:///… or postgresql://…, a file or a folder",
        "export the log to a file and name that",
    )


def _sqlite_tables(export: str) -> RawTables:
    url, _, target = export.partition("#")
    path_part = url.partition("://")[2]
    if not path_part.startswith("/") or "?" in path_part or len(path_part) < 2:
        raise UserError(
            hide_password(url),
            "no path to a file",
            "sqlite:///path/to/shop.sqlite",
            "write three slashes and the path",
        )
    path = Path(unquote(path_part[1:]))
    file = snapshot(path, printable_path(path))
    tables = sqlite_tables(file, path, target.strip() or None)
    if not tables.tables:
        raise UserError(file.label, "a database without a table", "a table of bleeds", "check the path")
    return tables
