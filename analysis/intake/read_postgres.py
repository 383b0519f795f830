"""PostgreSQL: a table, a view or one SELECT, in a transaction that can only read, and against a clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.errors import CannotRun
from analysis.intake import limits
from analysis.intake.address import Address
from analysis.intake.folder import PassedOver
from analysis.intake.postgres_session import reading_session, refusing_database
from analysis.intake.query import is_select, one_select, quoted
from analysis.intake.raw import RawTable
from analysis.intake.result import DatabaseTables, result_table

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
    def shown(self) -> str:
        return self.name if self.visible else f"{self.schema}.{self.name}"

    @property
    def query(self) -> str:
        return f"SELECT * FROM {quoted(self.schema)}.{quoted(self.name)}"


def postgres_tables(where: Address, seconds: float = limits.STATEMENT_SECONDS) -> DatabaseTables:
    """The table or the one SELECT an address names, or every table and view; labels are `postgresql://user@host/db#table`.

    Parameters
    ----------
    seconds
        How long the database may take in all, once connected.

    Raises
    ------
    CannotRun
        The `sql` extra is missing, the server does not answer or refuses, or a limit is passed. No password is shown.
    """
    with reading_session(where, seconds) as connection:
        if where.wanted is not None and is_select(where.wanted):
            return DatabaseTables((_result(where, connection, where.wanted, one_select(where.label, where.wanted)),))
        tables = [_Table(*row) for row in connection.exec_driver_sql(_TABLES)]
        if where.wanted is not None:
            table = _named(where, where.wanted, tables)
            return DatabaseTables((_result(where, connection, table.shown, table.query),))
        return _all(where, connection, tables)


def _all(where: Address, connection: Connection, tables: Sequence[_Table]) -> DatabaseTables:
    """Every table; one that cannot be read, such as a view on something gone, is told and passed over."""
    found, passed_over = [], []
    for table in tables:
        try:
            with connection.begin_nested():
                found.append(_result(where, connection, table.shown, table.query))
        except CannotRun as problem:
            if connection.invalidated or connection.closed:
                raise
            passed_over.append(PassedOver(problem.where, problem.found))
    if not found:
        raise CannotRun(
            where.label, "no table that may be read", "a table of bleeds", "check the database and your rights in it"
        )
    return DatabaseTables(tuple(found), tuple(passed_over))


def _result(where: Address, connection: Connection, name: str, query: str) -> RawTable:
    label = where.labelled(name)
    with refusing_database(where, label):
        result = connection.exec_driver_sql(query.replace("%", "%%"), execution_options=_STREAMED)
        return result_table(label, list(result.keys()), result.partitions(_FETCHED_ROWS), sha256="")


def _named(where: Address, wanted: str, tables: Sequence[_Table]) -> _Table:
    for same in (str, str.casefold):
        for table in tables:
            if same(wanted) in (same(table.shown), same(f"{table.schema}.{table.name}")):
                return table
    names = ", ".join(table.shown for table in tables) or "(none that may be read)"
    raise CannotRun(where.labelled(wanted), "no such table", f"one of {names}", "name one of these")
