"""A PostgreSQL session that can only read, keeps every value as it is written, and gives up in time."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, unquote, urlsplit

from analysis.errors import UserError
from analysis.intake.readers import limits
from analysis.intake.readers.database_address import Address
from analysis.intake.readers.library_errors import first_line

if TYPE_CHECKING:
    from sqlalchemy import Connection

_PARAMETERS = {"host", "port", "user", "password", "connect_timeout", "sslmode", "sslrootcert", "sslcert", "sslkey"}
_AS_WRITTEN = ("numeric", "interval", "json", "jsonb", "uuid")


@contextmanager
def reading_session(address: Address, seconds: float) -> Iterator[Connection]:
    """A connection within one read-only transaction, which is rolled back at the end.

    Parameters
    ----------
    seconds
        How long the server may take in all, once connected; to connect it has `limits.CONNECT_SECONDS`.

    Raises
    ------
    UserError
        The `sql` extra is missing, or the server does not answer, refuses or fails.
    """
    try:
        import psycopg
        from sqlalchemy import create_engine
        from sqlalchemy.pool import NullPool
    except ImportError:
        raise UserError(
            address.label,
            "the libraries that read PostgreSQL are missing",
            "the sql extra",
            "pip install 'rebleed[sql]'",
        ) from None
    parameters = _parameters(address)
    clock = _Clock(seconds)

    def connected() -> Any:
        raw = psycopg.connect(**parameters)
        clock.watch(raw.fileno())
        _set_up(raw, seconds)
        return raw

    engine = create_engine("postgresql+psycopg://", creator=connected, poolclass=NullPool, hide_parameters=True)
    try:
        with refusing_database(address, address.label), engine.connect() as connection:
            connection.exec_driver_sql("SET LOCAL synchronize_seqscans = off")
            connection.exec_driver_sql("SET LOCAL max_parallel_workers_per_gather = 0")
            yield connection
            connection.rollback()
    finally:
        clock.stop()
        engine.dispose()


@contextmanager
def refusing_database(address: Address, label: str) -> Iterator[None]:
    """Turn what the server or its library says into one refusal without secrets."""
    from psycopg import Error
    from sqlalchemy.exc import SQLAlchemyError

    try:
        yield
    except (Error, SQLAlchemyError, OSError, UnicodeError, ValueError) as problem:
        message = address.without_secrets(first_line(getattr(problem, "orig", None) or problem))
        raise UserError(
            label,
            f"the database cannot be read ({message})",
            "a table, or one SELECT that only reads",
            "check the address, the name and the query, or export the log to a file",
        ) from None


def _set_up(raw: Any, seconds: float) -> None:
    """Read only, with a time limit of the server's own, and every value kept as it is written."""
    from psycopg.types.datetime import DateLoader, TimestampLoader, TimestamptzLoader
    from psycopg.types.string import TextLoader

    raw.execute(f"SET statement_timeout = {int(seconds * 1000)}")
    raw.execute("SET DateStyle = 'ISO, YMD'")
    raw.commit()
    raw.read_only = True
    for kind in _AS_WRITTEN:
        raw.adapters.register_loader(kind, TextLoader)
    for kind, loader in (("date", DateLoader), ("timestamp", TimestampLoader), ("timestamptz", TimestamptzLoader)):
        raw.adapters.register_loader(kind, _tolerant(loader))


def _tolerant(loader: type) -> type:
    """A loader that leaves infinity, and years no calendar here holds, as text."""
    from psycopg import DataError

    class Tolerant(loader):
        def load(self, data: Any) -> Any:
            try:
                return super().load(data)
            except DataError:
                return bytes(data).decode()

    return Tolerant


def _parameters(address: Address) -> dict[str, Any]:
    """What the address says, as the driver takes it: no string with a password in it is ever made."""
    parts = urlsplit(address.url)
    options = dict(parse_qsl(parts.query))
    for name in options.keys() - _PARAMETERS:
        raise UserError(
            address.label, f"the parameter {name} in the address", ", ".join(sorted(_PARAMETERS)), "leave it out"
        )
    own = {
        "host": unquote(parts.hostname or ""),
        "port": parts.port,
        "user": unquote(parts.username or ""),
        "password": unquote(parts.password or ""),
        "dbname": unquote(parts.path.lstrip("/")),
    }
    patience = options.pop("connect_timeout", "")
    seconds = min(int(patience), limits.CONNECT_SECONDS) if patience.isdigit() else limits.CONNECT_SECONDS
    return {name: value for name, value in own.items() if value} | options | {"connect_timeout": max(seconds, 2)}


class _Clock:
    """Shuts a connection down when its time is over, so that a server that falls silent cannot hold the run."""

    def __init__(self, seconds: float) -> None:
        self._seconds, self._timer = seconds, threading.Timer(0, lambda: None)

    def watch(self, descriptor: int) -> None:
        """Start the time of a connection."""
        line = socket.socket(fileno=os.dup(descriptor))
        self._timer = threading.Timer(self._seconds + 5, _shut, [line])
        self._timer.daemon = True
        self._line = line
        self._timer.start()

    def stop(self) -> None:
        """Let the connection be."""
        self._timer.cancel()
        if hasattr(self, "_line"):
            self._line.close()


def _shut(line: socket.socket) -> None:
    with suppress(OSError):
        line.shutdown(socket.SHUT_RDWR)
