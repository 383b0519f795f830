"""Databases named by an address."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import unquote

from analysis.errors import UserError
from analysis.intake.readers.files import printable_path, snapshot
from analysis.intake.readers.raw_table import RawTables
from analysis.intake.readers.sql import hide_password, parse_address
from analysis.intake.readers.sqlite import sqlite_tables

_POSTGRES_SCHEMES = {"postgresql", "postgres", "postgresql+psycopg"}


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
