"""Databases by their address: SQLite and PostgreSQL."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import unquote

from analysis.errors import CannotRun
from analysis.intake.address import address, secret_free
from analysis.intake.read_sqlite import sqlite_tables
from analysis.intake.result import DatabaseTables
from analysis.intake.snapshot import shown, snapshot

_POSTGRES = {"postgresql", "postgres", "postgresql+psycopg"}


def database_tables(export: str) -> DatabaseTables:
    """The tables an address names: one table, one SELECT, or all.

    Raises
    ------
    CannotRun
        No such kind of database, or it cannot be read; the message shows no password.
    """
    scheme = export.partition("://")[0].lower()
    if scheme == "sqlite":
        return _sqlite(export)
    if scheme in _POSTGRES:
        from analysis.intake.read_postgres import postgres_tables

        return postgres_tables(address(export))
    raise CannotRun(
        secret_free(export),
        f"addresses of the kind {scheme}:// are not read",
        "sqlite:///… or postgresql://…, a file or a folder",
        "export the log to a file and name that",
    )


def _sqlite(export: str) -> DatabaseTables:
    told, _, wanted = export.partition("#")
    rest = told.partition("://")[2]
    if not rest.startswith("/") or "?" in rest or len(rest) < 2:
        raise CannotRun(
            secret_free(told), "no path to a file", "sqlite:///path/to/shop.sqlite", "write three slashes and the path"
        )
    path = Path(unquote(rest[1:]))
    file = snapshot(path, shown(path))
    found = sqlite_tables(file, path, wanted.strip() or None)
    if not found.tables:
        raise CannotRun(file.label, "a database without a table", "a table of bleeds", "check the path")
    return found
