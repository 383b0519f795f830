"""From what the user names to raw tables: files, folders, workbooks, databases."""

from __future__ import annotations

import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from analysis.errors import CannotRun, EmptyExport
from analysis.intake.address import is_address
from analysis.intake.archive import OLE, ZIP
from analysis.intake.broken import without_long_cells
from analysis.intake.crash_isolation import CrashGuard
from analysis.intake.folder import KINDS, SQLITE, PassedOver, folder_files
from analysis.intake.hint import ReadingHint
from analysis.intake.raw import RawTable
from analysis.intake.read_book import book_tables
from analysis.intake.read_database import database_tables
from analysis.intake.read_lines import lines_table
from analysis.intake.read_parquet import parquet_table
from analysis.intake.read_sqlite import sqlite_tables
from analysis.intake.read_text import text_table
from analysis.intake.snapshot import Snapshot, refuse_special, shown, snapshot, status

__all__ = ["PassedOver", "RawTables", "ReadingHint", "raw_tables"]

_MAGIC = ((SQLITE, "sqlite"), (b"PAR1", "parquet"), (OLE, "book"))


@dataclass(frozen=True)
class RawTables:
    """Every table found in what was named, in the order given (a folder: by name), and every file that was not read."""

    tables: tuple[RawTable, ...]
    passed_over: tuple[PassedOver, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Part:
    """What one file, or one whole export, comes to."""

    tables: tuple[RawTable, ...] = ()
    passed_over: tuple[PassedOver, ...] = ()


@dataclass(frozen=True)
class _Reading:
    """What holds for every file of one call; `seen` are those read already."""

    hints: Sequence[ReadingHint]
    guard: CrashGuard
    seen: set[tuple[object, ...]] = field(default_factory=set)


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
    CannotRun
        An export cannot be read; the message names it, and never shows a password.
    """
    tables: list[RawTable] = []
    passed_over: list[PassedOver] = []
    with CrashGuard() as guard:
        reading = _Reading(hints, guard)
        for export in exports:
            for part in _parts(export, reading):
                tables += map(without_long_cells, part.tables)
                passed_over += part.passed_over
    return RawTables(tuple(tables), tuple(passed_over), _notes(tables))


def _parts(export: str, reading: _Reading) -> Iterator[_Part]:
    if not export:
        raise CannotRun("an empty name", "no file", "a file, a folder or a database", "name an export")
    if is_address(export):
        found = database_tables(export)
        yield _Part(found.tables, found.passed_over)
        return
    named = _named(export)
    where = status(named.path)
    if not stat.S_ISDIR(where.st_mode):
        yield _once(named, where.st_dev, where.st_ino, reading)
        return
    if named.wanted is not None:
        raise CannotRun(shown(export), "a folder has no tables to choose from", "a file before the #", "name the file")
    folder = folder_files(named.path)
    yield _Part(passed_over=folder.passed_over)
    for path in folder.files:
        inside = status(path)
        try:
            yield _once(_Named(path, None), inside.st_dev, inside.st_ino, reading)
        except EmptyExport as empty:
            yield _Part(passed_over=(PassedOver(empty.where, empty.found),))


@dataclass(frozen=True)
class _Named:
    """A path, and the sheet, table or query asked of it."""

    path: Path
    wanted: str | None


def _named(export: str) -> _Named:
    """The whole export where such a file is there, else what stands before the first `#` that leaves a file."""
    whole = Path(export)
    if _is_there(whole) or "#" not in export:
        return _Named(whole, None)
    for place in (at for at, sign in enumerate(export) if sign == "#"):
        path = Path(export[:place])
        if place and _is_there(path):
            return _Named(path, export[place + 1 :].strip() or None)
    return _Named(Path(export.partition("#")[0]), None)


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def _once(named: _Named, device: int, inode: int, reading: _Reading) -> _Part:
    key = (device, inode, named.wanted)
    if key in reading.seen:
        return _Part(passed_over=(PassedOver(shown(named.path), "named twice, read once"),))
    reading.seen.add(key)
    return _read(named, reading)


def _read(named: _Named, reading: _Reading) -> _Part:
    label = shown(named.path)
    refuse_special(label, status(named.path))
    file = snapshot(named.path, label)
    if not file.data:
        raise EmptyExport(label, "an empty file", "headings and rows", "export the log again")
    kind = _kind(named.path, file.data)
    if named.wanted is not None and kind not in ("book", "sqlite"):
        raise CannotRun(
            f"{label}#{named.wanted}", "this file holds one table only", label, "leave out the # and what follows"
        )
    if kind == "book":
        return _book(file, reading, named.wanted)
    if kind == "sqlite":
        return _sqlite(file, named)
    if kind == "parquet":
        reading.guard.reject_if_crashes(file, "Parquet file")
        return _Part((parquet_table(file),))
    return _Part((lines_table(file) if kind == "lines" else text_table(file, reading.hints),))


def _kind(path: Path, data: bytes) -> str:
    """By its first bytes where they are sure, else by the ending, else by what its text begins with."""
    sure = next((kind for mark, kind in _MAGIC if data.startswith(mark)), None)
    by_ending = KINDS.get(path.suffix.lower())
    if sure or by_ending:
        return sure or by_ending or "text"
    if data.startswith(ZIP):
        return "book"
    return "lines" if data.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{") else "text"


def _book(file: Snapshot, reading: _Reading, sheet: str | None) -> _Part:
    book = book_tables(file, reading.hints, sheet, lambda: reading.guard.reject_if_crashes(file, "workbook"))
    if not book.tables:
        raise EmptyExport(
            file.label, "a workbook without a filled cell", "a sheet with headings and rows", "export the log again"
        )
    return _Part(book.tables, tuple(PassedOver(label, "an empty sheet") for label in book.empty))


def _sqlite(file: Snapshot, named: _Named) -> _Part:
    found = sqlite_tables(file, named.path, named.wanted)
    if not found.tables:
        raise EmptyExport(file.label, "a database without a table", "a table of bleeds", "export the log again")
    return _Part(found.tables, found.passed_over)


def _notes(tables: Sequence[RawTable]) -> tuple[str, ...]:
    return tuple(f"{table.file}: {note}" for table in tables for note in table.notes)
