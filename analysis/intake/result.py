"""What a query returns, batch by batch, as a raw table."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from analysis.intake import limits
from analysis.intake.broken import broken_rows
from analysis.intake.folder import PassedOver
from analysis.intake.furniture import unique_headings
from analysis.intake.raw import ROW, RawTable
from analysis.intake.values import column, joined


@dataclass(frozen=True)
class DatabaseTables:
    """The tables of a database, and those that could not be read."""

    tables: tuple[RawTable, ...]
    passed_over: tuple[PassedOver, ...] = ()


def result_table(
    label: str,
    headings: Sequence[str],
    batches: Iterable[Sequence[Sequence[Any]]],
    sha256: str,
    most_bytes: int = limits.UNPACKED_BYTES,
) -> RawTable:
    """The rows of a query, counted from 1.

    Parameters
    ----------
    batches
        Rows in groups small enough to fit into memory whatever they hold.
    most_bytes
        Of texts and bytes in all.

    Raises
    ------
    CannotRun
        A limit is passed: of columns, rows or bytes.
    """
    limits.check_size(label, columns=len(headings))
    parts: list[list[pl.Series]] = [[] for _ in headings]
    height = 0
    for rows in _regrouped(label, batches, most_bytes):
        height += len(rows)
        limits.check_size(label, rows=height)
        for place, values in enumerate(zip(*rows, strict=True)):
            parts[place].append(column(values))
    columns = [joined(found).alias(name) for name, found in zip(unique_headings(headings), parts, strict=True)]
    cells = pl.DataFrame([pl.Series(ROW, range(1, height + 1), dtype=pl.Int64), *columns])
    return RawTable(label, cells, broken_rows(), sha256)


def _regrouped(
    label: str, batches: Iterable[Sequence[Sequence[Any]]], most_bytes: int
) -> Iterator[list[Sequence[Any]]]:
    """Groups of rows as large as pays, each row weighed before the next is fetched."""
    kept: list[Sequence[Any]] = []
    held = total = 0
    for rows in batches:
        kept += rows
        held += sum(len(value) for row in rows for value in row if isinstance(value, str | bytes))
        limits.check_bytes(label, total + held, most_bytes)
        if len(kept) >= limits.BATCH_ROWS or held >= limits.BATCH_BYTES:
            yield kept
            kept, held, total = [], 0, total + held
    if kept:
        yield kept
