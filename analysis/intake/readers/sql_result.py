"""What a query returns, batch by batch, as a raw table."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from analysis.intake.readers import limits
from analysis.intake.readers.folder_files import SkippedFile
from analysis.intake.readers.non_data_rows import unique_headings
from analysis.intake.readers.raw_table import ROW, RawTable
from analysis.intake.readers.unparsed_rows import unparsed_rows
from analysis.intake.readers.values import column, joined


@dataclass(frozen=True)
class DatabaseTables:
    """The tables of a database, and those that could not be read."""

    tables: tuple[RawTable, ...]
    skipped: tuple[SkippedFile, ...] = ()


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
    UserError
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
    columns = [joined(batch).alias(name) for name, batch in zip(unique_headings(headings), parts, strict=True)]
    cells = pl.DataFrame([pl.Series(ROW, range(1, height + 1), dtype=pl.Int64), *columns])
    return RawTable(label, cells, unparsed_rows(), sha256)


def _regrouped(
    label: str, batches: Iterable[Sequence[Sequence[Any]]], most_bytes: int
) -> Iterator[list[Sequence[Any]]]:
    """Groups of rows as large as pays, each row weighed before the next is fetched."""
    batch: list[Sequence[Any]] = []
    batch_bytes = total = 0
    for rows in batches:
        batch += rows
        batch_bytes += sum(len(value) for row in rows for value in row if isinstance(value, str | bytes))
        limits.check_bytes(label, total + batch_bytes, most_bytes)
        if len(batch) >= limits.BATCH_ROWS or batch_bytes >= limits.BATCH_BYTES:
            yield batch
            batch, batch_bytes, total = [], 0, total + batch_bytes
    if batch:
        yield batch
