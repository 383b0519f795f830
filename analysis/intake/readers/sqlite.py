"""SQLite databases as raw tables: a table, a view or one SELECT, over a read-only connection."""

from __future__ import annotations

import shutil
import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from urllib.parse import quote

from analysis.errors import UserError
from analysis.intake.readers import limits
from analysis.intake.readers.files import Snapshot, changed_file_error, printable_path
from analysis.intake.readers.library_failures import first_line
from analysis.intake.readers.raw_table import RawTable, RawTables, SkippedFile
from analysis.intake.readers.sql import is_statement, parse_single_select, quote_identifier, result_table

_READ_ACTIONS = {sqlite3.SQLITE_SELECT, sqlite3.SQLITE_READ, sqlite3.SQLITE_FUNCTION, sqlite3.SQLITE_RECURSIVE}
_FORBIDDEN_FUNCTIONS = {"load_extension", "readfile", "writefile", "edit", "fts3_tokenizer"}
_STEPS_BETWEEN_TIME_CHECKS = 100_000
_MAX_ROW_BYTES = 8 * 2**20
_FETCHED_ROWS = 16
"""Rows of the maximum length then take 128 MB."""
_TABLES = "SELECT name FROM sqlite_master WHERE type IN ('table', 'view') AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\' ORDER BY name"


def sqlite_tables(
    file: Snapshot, path: Path, target: str | None = None, seconds: float = limits.STATEMENT_SECONDS
) -> RawTables:
    """Read one table, the result of one SELECT, or without `target` every table and view; labels are `shop.sqlite#table`.

    Without `target`, a table that cannot be read is skipped, such as a broken view or a table of photos.

    Parameters
    ----------
    target
        The name of a table or view, or a SELECT.
    seconds
        Time limit.

    Raises
    ------
    UserError
        Not an SQLite database, no such table or none that can be read, not a single SELECT, too slow, or too large.
    """
    before = _file_states(path)
    with _open_read_only(file.label, path, seconds) as connection:
        if target is not None and is_statement(target):
            tables = RawTables((_read_query(file, connection, target, parse_single_select(file.label, target)),))
        else:
            names = [name for (name,) in connection.execute(_TABLES)]
            if target is None:
                tables = _read_all_tables(file, connection, names)
            else:
                tables = RawTables((_read_table(file, connection, _find_table_name(file.label, target, names)),))
    if _file_states(path) != before:
        raise changed_file_error(file.label)
    return tables


def _read_all_tables(file: Snapshot, connection: sqlite3.Connection, names: Sequence[str]) -> RawTables:
    tables, skipped = [], []
    for name in names:
        try:
            tables.append(_read_table(file, connection, name))
        except UserError as problem:
            skipped.append(SkippedFile(problem.location, problem.problem))
    if skipped and not tables:
        first = skipped[0]
        raise UserError(
            file.label,
            f"no table that can be read ({first.file}: {first.reason})",
            "a table of bleeds",
            "export the log again, or name one SELECT",
        )
    return RawTables(tuple(tables), tuple(skipped))


def _read_table(file: Snapshot, connection: sqlite3.Connection, name: str) -> RawTable:
    return _read_query(file, connection, name, f"SELECT * FROM {quote_identifier(name)}")


def _file_states(path: Path) -> list[tuple[int, int] | None]:
    """Size and modification time of the database and of SQLite's log files for it."""
    paths = [Path(f"{path}{suffix}") for suffix in ("", "-wal", "-journal")]
    states = [each.stat() if each.exists() else None for each in paths]
    return [(each.st_size, each.st_mtime_ns) if each else None for each in states]


def _read_query(file: Snapshot, connection: sqlite3.Connection, name: str, query: str) -> RawTable:
    label = f"{file.label}#{' '.join(name.split())}"
    try:
        cursor = connection.execute(query)
        headings = [column[0] for column in cursor.description or ()]
        batches = iter(lambda: cursor.fetchmany(_FETCHED_ROWS), [])
        return result_table(label, headings, batches, file.sha256, limits.max_unpacked_bytes(len(file.data)))
    except (sqlite3.Error, sqlite3.Warning, UnicodeError, OverflowError) as problem:
        raise _database_error(label, problem) from None


@contextmanager
def _open_read_only(label: str, path: Path, seconds: float) -> Iterator[sqlite3.Connection]:
    """A connection that writes nothing, not even the log files SQLite keeps for a database."""
    try:
        with _database_or_copy(path) as readable:
            has_journal = any(Path(f"{readable}{suffix}").exists() for suffix in ("-wal", "-journal"))
            address = f"file:{quote(str(readable.resolve()))}?mode=ro" + ("" if has_journal else "&immutable=1")
            connection = sqlite3.connect(address, uri=True)
            try:
                _restrict_connection(connection, seconds)
                yield connection
            finally:
                connection.close()
    except (sqlite3.Error, UnicodeError, OverflowError) as problem:
        raise _database_error(label, problem) from None


@contextmanager
def _database_or_copy(path: Path) -> Iterator[Path]:
    """The database, or a copy if SQLite would have to write the missing index (-shm) of its write-ahead log."""
    log, index = Path(f"{path}-wal"), Path(f"{path}-shm")
    if index.exists() or not log.exists():
        yield path
        return
    try:
        with TemporaryDirectory() as folder:
            copy = Path(folder) / "copy.sqlite"
            shutil.copyfile(path, copy)
            shutil.copyfile(log, f"{copy}-wal")
            yield copy
    except OSError as problem:
        raise UserError(
            printable_path(path),
            f"its write-ahead log cannot be copied ({first_line(problem)})",
            "room for a copy in the temporary folder",
            "close the program that writes the database, or set TMPDIR to a folder with room",
        ) from None


def _restrict_connection(connection: sqlite3.Connection, seconds: float) -> None:
    connection.execute("PRAGMA query_only = 1")
    connection.execute("PRAGMA trusted_schema = 0")
    connection.text_factory = _decode_text
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _MAX_ROW_BYTES)
    connection.setlimit(sqlite3.SQLITE_LIMIT_ATTACHED, 0)
    connection.set_authorizer(_authorise_action)
    deadline = time.monotonic() + seconds
    connection.set_progress_handler(lambda: int(time.monotonic() > deadline), _STEPS_BETWEEN_TIME_CHECKS)


def _authorise_action(action: int, _: str | None, function: str | None, *__: object) -> int:
    forbidden = action == sqlite3.SQLITE_FUNCTION and (function or "").lower() in _FORBIDDEN_FUNCTIONS
    return sqlite3.SQLITE_OK if action in _READ_ACTIONS and not forbidden else sqlite3.SQLITE_DENY


def _decode_text(value: bytes) -> str:
    try:
        return value.decode("utf-8")
    except UnicodeDecodeError:
        return value.decode("cp1252", "replace")


def _find_table_name(label: str, target: str, names: Sequence[str]) -> str:
    matches = [name for name in names if name.casefold() == target.casefold()]
    if not matches:
        raise UserError(
            f"{label}#{target}",
            "no such table",
            f"one of {', '.join(names) or '(none: it is empty)'}",
            "name one of these",
        )
    return target if target in matches else matches[0]


def _database_error(label: str, problem: Exception) -> UserError:
    message = first_line(problem)
    if "interrupted" in message:
        message = "no answer within the time allowed"
    if "locked" in message or "busy" in message:
        return UserError(
            label,
            f"another program is writing to the database ({message})",
            "a database that no program is writing to",
            "close that program and run again, or copy the file and read the copy",
        )
    return UserError(
        label,
        f"the database cannot be read ({message})",
        "a table, or one SELECT that only reads",
        "check the name or the query",
    )
