"""PostgreSQL databases as raw tables: a table, a view or one SELECT, in a read-only transaction with a time limit."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, unquote, urlsplit

from analysis.errors import UserError
from analysis.intake.readers import limits
from analysis.intake.readers.library_failures import first_line
from analysis.intake.readers.raw_table import RawTable, RawTables, SkippedFile
from analysis.intake.readers.sql import Address, is_statement, parse_single_select, quote_identifier, result_table

if TYPE_CHECKING:
    from psycopg import Connection

_TABLES = """
    SELECT n.nspname, c.relname, pg_table_is_visible(c.oid)
    FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
    WHERE c.relkind IN ('r', 'p', 'v', 'm') AND NOT c.relispartition
      AND n.nspname <> 'information_schema' AND left(n.nspname, 3) <> 'pg_'
      AND has_table_privilege(c.oid, 'SELECT')
    ORDER BY 1, 2
"""
_FETCHED_ROWS = 2_000
_PARAMETERS = {"host", "port", "user", "password", "connect_timeout", "sslmode", "sslrootcert", "sslcert", "sslkey"}
_READ_AS_TEXT = ("numeric", "interval", "json", "jsonb", "uuid")
_SECONDS_BEYOND_SERVER_LIMIT = 5


@dataclass(frozen=True)
class _DatabaseTable:
    schema: str
    name: str
    visible: bool

    @property
    def label(self) -> str:
        return self.name if self.visible else f"{self.schema}.{self.name}"

    @property
    def query(self) -> str:
        return f"SELECT * FROM {quote_identifier(self.schema)}.{quote_identifier(self.name)}"


def postgres_tables(address: Address, seconds: float = limits.STATEMENT_SECONDS) -> RawTables:
    """Read the table or the result of the SELECT an address names, or every table and view.

    Labels are `postgresql://user@host/db#table`. Without a target, a table that cannot be read is skipped.

    Parameters
    ----------
    seconds
        Time limit once connected.

    Raises
    ------
    UserError
        The `sql` extra is missing, the server does not answer or refuses, or a limit is exceeded. The message shows no
        password.
    """
    with _read_only_connection(address, seconds) as connection:
        target = address.target
        if target is not None and is_statement(target):
            return RawTables((_read_query(address, connection, target, parse_single_select(address.label, target)),))
        tables = [_DatabaseTable(*row) for row in connection.execute(_TABLES)]
        if target is not None:
            table = _find_table(address, target, tables)
            return RawTables((_read_query(address, connection, table.label, table.query),))
        return _read_all_tables(address, connection, tables)


def _read_all_tables(address: Address, connection: Connection, tables: Sequence[_DatabaseTable]) -> RawTables:
    raw_tables, skipped = [], []
    for table in tables:
        try:
            with connection.transaction():
                raw_tables.append(_read_query(address, connection, table.label, table.query))
        except UserError as problem:
            if connection.closed:
                raise
            skipped.append(SkippedFile(problem.location, problem.problem))
    if not raw_tables:
        raise UserError(
            address.label,
            "no table that can be read",
            "a table of bleeds",
            "check the database and your permissions on it",
        )
    return RawTables(tuple(raw_tables), tuple(skipped))


def _read_query(address: Address, connection: Connection, name: str, query: str) -> RawTable:
    label = address.target_label(name)
    with _database_errors_as_user_errors(address, label), connection.cursor(name="rows") as cursor:
        cursor.execute(query.encode())
        headings = [column.name for column in cursor.description or ()]
        return result_table(label, headings, iter(lambda: cursor.fetchmany(_FETCHED_ROWS), []), sha256="")


def _find_table(address: Address, target: str, tables: Sequence[_DatabaseTable]) -> _DatabaseTable:
    """The table of that name, or of that name in another case."""
    for spelling in (str, str.casefold):
        for table in tables:
            if spelling(target) in (spelling(table.label), spelling(f"{table.schema}.{table.name}")):
                return table
    names = ", ".join(table.label for table in tables) or "(none that can be read)"
    raise UserError(address.target_label(target), "no such table", f"one of {names}", "name one of these")


@contextmanager
def _read_only_connection(address: Address, seconds: float) -> Iterator[Connection]:
    """A connection within one read-only transaction, which is rolled back at the end."""
    try:
        import psycopg
    except ImportError:
        raise UserError(
            address.label,
            "the libraries that read PostgreSQL are missing",
            "the sql extra",
            "pip install 'rebleed[sql]'",
        ) from None
    parameters = _connection_parameters(address)
    time_limit = _TimeLimit(seconds)

    try:
        with _database_errors_as_user_errors(address, address.label), psycopg.connect(**parameters) as connection:
            time_limit.start(connection.fileno())
            _restrict_connection(connection, seconds)
            # these two settings give rows in the same order in every run
            connection.execute("SET LOCAL synchronize_seqscans = off")
            connection.execute("SET LOCAL max_parallel_workers_per_gather = 0")
            yield connection
            connection.rollback()
    finally:
        time_limit.stop()


@contextmanager
def _database_errors_as_user_errors(address: Address, label: str) -> Iterator[None]:
    """Turn errors of the server or its library into one UserError without secrets."""
    from psycopg import Error

    try:
        yield
    except (Error, OSError, UnicodeError, ValueError) as problem:
        message = address.mask_secrets(first_line(problem))
        raise UserError(
            label,
            f"the database cannot be read ({message})",
            "a table, or one SELECT that only reads",
            "check the address, the name and the query, or export the log to a file",
        ) from None


def _restrict_connection(connection: Any, seconds: float) -> None:
    """Make a connection read-only, with a time limit on the server, and with values that lose no digits."""
    from psycopg.types.datetime import DateLoader, TimestampLoader, TimestamptzLoader
    from psycopg.types.string import TextLoader

    connection.execute(f"SET statement_timeout = {int(seconds * 1000)}")
    connection.execute("SET DateStyle = 'ISO, YMD'")
    connection.commit()
    connection.read_only = True
    for kind in _READ_AS_TEXT:
        connection.adapters.register_loader(kind, TextLoader)
    for kind, loader in (("date", DateLoader), ("timestamp", TimestampLoader), ("timestamptz", TimestamptzLoader)):
        connection.adapters.register_loader(kind, _calendar_safe_loader(loader))


def _calendar_safe_loader(loader: type) -> type:
    """A loader that returns infinity, and years outside Python's calendar, as text."""
    from psycopg import DataError

    class CalendarLoader(loader):
        def load(self, data: Any) -> Any:
            try:
                return super().load(data)
            except DataError:
                return bytes(data).decode()

    return CalendarLoader


def _connection_parameters(address: Address) -> dict[str, Any]:
    """The parameters of the driver, one by one, so that no text with the password in it is made."""
    parts = urlsplit(address.url)
    options = dict(parse_qsl(parts.query))
    for name in options.keys() - _PARAMETERS:
        raise UserError(
            address.label,
            f"the parameter {name} in the address is not supported",
            ", ".join(sorted(_PARAMETERS)),
            "leave it out",
        )
    from_url = {
        "host": unquote(parts.hostname or ""),
        "port": parts.port,
        "user": unquote(parts.username or ""),
        "password": unquote(parts.password or ""),
        "dbname": unquote(parts.path.lstrip("/")),
    }
    timeout = options.pop("connect_timeout", "")
    seconds = min(int(timeout), limits.CONNECT_SECONDS) if timeout.isdigit() else limits.CONNECT_SECONDS
    return {name: value for name, value in from_url.items() if value} | options | {"connect_timeout": max(seconds, 2)}


class _TimeLimit:
    """Shut a connection down after a time, in case the server no longer answers and ignores its own limit."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds + _SECONDS_BEYOND_SERVER_LIMIT
        self._timer: threading.Timer | None = None
        self._socket: socket.socket | None = None

    def start(self, descriptor: int) -> None:
        self._socket = socket.socket(fileno=os.dup(descriptor))
        self._timer = threading.Timer(self._seconds, _shut_down, [self._socket])
        self._timer.daemon = True
        self._timer.start()

    def stop(self) -> None:
        if self._timer is not None and self._socket is not None:
            self._timer.cancel()
            self._socket.close()


def _shut_down(connection: socket.socket) -> None:
    with suppress(OSError):
        connection.shutdown(socket.SHUT_RDWR)
