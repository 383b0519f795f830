"""Databases by their address: SQLite and PostgreSQL."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import unquote

from analysis.errors import UserError
from analysis.intake.readers.database_address import address, without_password
from analysis.intake.readers.snapshot import printable_path, snapshot
from analysis.intake.readers.sql_result import DatabaseTables
from analysis.intake.readers.sqlite import sqlite_tables

_POSTGRES = {"postgresql", "postgres", "postgresql+psycopg"}


def database_tables(export: str) -> DatabaseTables:
    """The tables an address names: one table, one SELECT, or all.

    Raises
    ------
    UserError
        No such kind of database, or it cannot be read; the message shows no password.
    """
    scheme = export.partition("://")[0].lower()
    if scheme == "sqlite":
        return _sqlite(export)
    if scheme in _POSTGRES:
        from analysis.intake.readers.postgres import postgres_tables

        return postgres_tables(address(export))
    raise UserError(
        without_password(export),
        f"addresses of the kind {scheme}:// are not read",
        "sqlite:///… or postgresql://…, a file or a folder",
        "export the log to a file and name that",
    )


def _sqlite(export: str) -> DatabaseTables:
    path_text, _, wanted = export.partition("#")
    rest = path_text.partition("://")[2]
    if not rest.startswith("/") or "?" in rest or len(rest) < 2:
        raise UserError(
            without_password(path_text),
            "no path to a file",
            "sqlite:///path/to/shop.sqlite",
            "write three slashes and the path",
        )
    path = Path(unquote(rest[1:]))
    file = snapshot(path, printable_path(path))
    tables = sqlite_tables(file, path, wanted.strip() or None)
    if not tables.tables:
        raise UserError(file.label, "a database without a table", "a table of bleeds", "check the path")
    return tables
