"""From what the user names to raw tables: files, folders, workbooks, databases."""

from __future__ import annotations

import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from analysis.errors import EmptyExport, UserError
from analysis.intake.crash_isolation import CrashGuard
from analysis.intake.readers.archive import OLE, ZIP
from analysis.intake.readers.csv import text_table
from analysis.intake.readers.database import database_tables
from analysis.intake.readers.database_address import is_address
from analysis.intake.readers.excel import workbook_tables
from analysis.intake.readers.folder_files import KINDS, SQLITE, SkippedFile, folder_files
from analysis.intake.readers.jsonl import lines_table
from analysis.intake.readers.parquet import parquet_table
from analysis.intake.readers.raw_table import RawTable
from analysis.intake.readers.reading_hint import ReadingHint
from analysis.intake.readers.snapshot import Snapshot, printable_path, refuse_special, snapshot, status
from analysis.intake.readers.sqlite import sqlite_tables
from analysis.intake.readers.unparsed_rows import without_long_cells

__all__ = ["RawTables", "ReadingHint", "SkippedFile", "raw_tables"]

_MAGIC = ((SQLITE, "sqlite"), (b"PAR1", "parquet"), (OLE, "book"))


@dataclass(frozen=True)
class RawTables:
    """Every table found in what was named, in the order given (a folder: by name), and every file that was not read."""

    tables: tuple[RawTable, ...]
    skipped: tuple[SkippedFile, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _FileTables:
    """What one file, or one whole export, comes to."""

    tables: tuple[RawTable, ...] = ()
    skipped: tuple[SkippedFile, ...] = ()


@dataclass(frozen=True)
class _ReadOptions:
    """What holds for every file of one call; `files_read` are those read already."""

    hints: Sequence[ReadingHint]
    guard: CrashGuard
    files_read: set[tuple[object, ...]] = field(default_factory=set)


def raw_tables(exports: Sequence[str], hints: Sequence[ReadingHint] = ()) -> RawTables:
    """Read every export, unread in meaning.

    Parameters
    ----------
    exports
        Files, folders, `book.xlsx#sheet`, `shop.sqlite#table`, or database addresses.
    hints
        How the map wants files with certain headings to be read.

    Raises
    ------
    UserError
        An export cannot be read; the message names it, and never shows a password.
    """
    tables: list[RawTable] = []
    passed_over: list[SkippedFile] = []
    with CrashGuard() as guard:
        reading = _ReadOptions(hints, guard)
        for export in exports:
            for part in _file_tables(export, reading):
                tables += map(without_long_cells, part.tables)
                passed_over += part.skipped
    return RawTables(tuple(tables), tuple(passed_over), _notes(tables))


def _file_tables(export: str, options: _ReadOptions) -> Iterator[_FileTables]:
    if not export:
        raise UserError("an empty name", "no file", "a file, a folder or a database", "name an export")
    if is_address(export):
        database = database_tables(export)
        yield _FileTables(database.tables, database.skipped)
        return
    named_file = _named_file(export)
    where = status(named_file.path)
    if not stat.S_ISDIR(where.st_mode):
        yield _read_once(named_file, where.st_dev, where.st_ino, options)
        return
    if named_file.target is not None:
        raise UserError(
            printable_path(export), "a folder has no tables to choose from", "a file before the #", "name the file"
        )
    folder = folder_files(named_file.path)
    yield _FileTables(skipped=folder.skipped)
    for path in folder.files:
        inside = status(path)
        try:
            yield _read_once(_NamedFile(path, None), inside.st_dev, inside.st_ino, options)
        except EmptyExport as empty:
            yield _FileTables(skipped=(SkippedFile(empty.location, empty.problem),))


@dataclass(frozen=True)
class _NamedFile:
    """A path, and the sheet, table or query asked of it."""

    path: Path
    target: str | None


def _named_file(export: str) -> _NamedFile:
    """The whole export where such a file is there, else what stands before the first `#` that leaves a file."""
    whole = Path(export)
    if _is_there(whole) or "#" not in export:
        return _NamedFile(whole, None)
    for place in (at for at, sign in enumerate(export) if sign == "#"):
        path = Path(export[:place])
        if place and _is_there(path):
            return _NamedFile(path, export[place + 1 :].strip() or None)
    return _NamedFile(Path(export.partition("#")[0]), None)


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def _read_once(named_file: _NamedFile, device: int, inode: int, options: _ReadOptions) -> _FileTables:
    key = (device, inode, named_file.target)
    if key in options.files_read:
        return _FileTables(skipped=(SkippedFile(printable_path(named_file.path), "named twice, read once"),))
    options.files_read.add(key)
    return _read_file(named_file, options)


def _read_file(named_file: _NamedFile, options: _ReadOptions) -> _FileTables:
    label = printable_path(named_file.path)
    refuse_special(label, status(named_file.path))
    file = snapshot(named_file.path, label)
    if not file.data:
        raise EmptyExport(label, "an empty file", "headings and rows", "export the log again")
    kind = _kind(named_file.path, file.data)
    if named_file.target is not None and kind not in ("book", "sqlite"):
        raise UserError(
            f"{label}#{named_file.target}", "this file holds one table only", label, "leave out the # and what follows"
        )
    if kind == "book":
        return _book(file, options, named_file.target)
    if kind == "sqlite":
        return _sqlite(file, named_file)
    if kind == "parquet":
        options.guard.reject_if_crashes(file, "Parquet file")
        return _FileTables((parquet_table(file),))
    return _FileTables((lines_table(file) if kind == "lines" else text_table(file, options.hints),))


def _kind(path: Path, data: bytes) -> str:
    """By its first bytes where they are sure, else by the ending, else by what its text begins with."""
    sure = next((kind for mark, kind in _MAGIC if data.startswith(mark)), None)
    by_ending = KINDS.get(path.suffix.lower())
    if sure or by_ending:
        return sure or by_ending or "text"
    if data.startswith(ZIP):
        return "book"
    return "lines" if data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{") else "text"


def _book(file: Snapshot, options: _ReadOptions, sheet: str | None) -> _FileTables:
    book = workbook_tables(file, options.hints, sheet, lambda: options.guard.reject_if_crashes(file, "workbook"))
    if not book.tables:
        raise EmptyExport(
            file.label, "a workbook without a filled cell", "a sheet with headings and rows", "export the log again"
        )
    return _FileTables(book.tables, tuple(SkippedFile(label, "an empty sheet") for label in book.empty))


def _sqlite(file: Snapshot, named_file: _NamedFile) -> _FileTables:
    database = sqlite_tables(file, named_file.path, named_file.target)
    if not database.tables:
        raise EmptyExport(file.label, "a database without a table", "a table of bleeds", "export the log again")
    return _FileTables(database.tables, database.skipped)


def _notes(tables: Sequence[RawTable]) -> tuple[str, ...]:
    return tuple(f"{table.file}: {note}" for table in tables for note in table.notes)
