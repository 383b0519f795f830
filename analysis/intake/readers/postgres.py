"""PostgreSQL: a table, a view or one SELECT, in a transaction that can only read, and against a clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.errors import UserError
from analysis.intake.readers import limits
from analysis.intake.readers.database_address import Address
from analysis.intake.readers.folder_files import SkippedFile
from analysis.intake.readers.postgres_session import reading_session, refusing_database
from analysis.intake.readers.raw_table import RawTable
from analysis.intake.readers.sql import is_select, one_select, quoted
from analysis.intake.readers.sql_result import DatabaseTables, result_table

if TYPE_CHECKING:
    from sqlalchemy import Connection

_TABLES = """
    SELECT n.nspname, c.relname, pg_table_is_visible(c.oid)
    FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
    WHERE c.relkind IN ('r', 'p', 'v', 'm') AND NOT c.relispartition
      AND n.nspname <> 'information_schema' AND left(n.nspname, 3) <> 'pg_'
      AND has_table_privilege(c.oid, 'SELECT')
    ORDER BY 1, 2
"""
_FETCHED_ROWS = 2_000
_STREAMED = {"stream_results": True, "max_row_buffer": _FETCHED_ROWS}


@dataclass(frozen=True)
class _Table:
    schema: str
    name: str
    visible: bool

    @property
    def label(self) -> str:
        return self.name if self.visible else f"{self.schema}.{self.name}"

    @property
    def query(self) -> str:
        return f"SELECT * FROM {quoted(self.schema)}.{quoted(self.name)}"


def postgres_tables(address: Address, seconds: float = limits.STATEMENT_SECONDS) -> DatabaseTables:
    """The table or the one SELECT an address names, or every table and view; labels are `postgresql://user@host/db#table`.

    Parameters
    ----------
    seconds
        How long the database may take in all, once connected.

    Raises
    ------
    UserError
        The `sql` extra is missing, the server does not answer or refuses, or a limit is passed. No password is shown.
    """
    with reading_session(address, seconds) as connection:
        if address.target is not None and is_select(address.target):
            return DatabaseTables(
                (_result(address, connection, address.target, one_select(address.label, address.target)),)
            )
        tables = [_Table(*row) for row in connection.exec_driver_sql(_TABLES)]
        if address.target is not None:
            table = _table_named(address, address.target, tables)
            return DatabaseTables((_result(address, connection, table.label, table.query),))
        return _all(address, connection, tables)


def _all(address: Address, connection: Connection, tables: Sequence[_Table]) -> DatabaseTables:
    """Every table; one that cannot be read, such as a view on something gone, is told and passed over."""
    tables_read, passed_over = [], []
    for table in tables:
        try:
            with connection.begin_nested():
                tables_read.append(_result(address, connection, table.label, table.query))
        except UserError as problem:
            if connection.invalidated or connection.closed:
                raise
            passed_over.append(SkippedFile(problem.location, problem.problem))
    if not tables_read:
        raise UserError(
            address.label, "no table that may be read", "a table of bleeds", "check the database and your rights in it"
        )
    return DatabaseTables(tuple(tables_read), tuple(passed_over))


def _result(address: Address, connection: Connection, name: str, query: str) -> RawTable:
    label = address.label_of(name)
    with refusing_database(address, label):
        result = connection.exec_driver_sql(query.replace("%", "%%"), execution_options=_STREAMED)
        return result_table(label, list(result.keys()), result.partitions(_FETCHED_ROWS), sha256="")


def _table_named(address: Address, target: str, tables: Sequence[_Table]) -> _Table:
    for same in (str, str.casefold):
        for table in tables:
            if same(target) in (same(table.label), same(f"{table.schema}.{table.name}")):
                return table
    names = ", ".join(table.label for table in tables) or "(none that may be read)"
    raise UserError(address.label_of(target), "no such table", f"one of {names}", "name one of these")
