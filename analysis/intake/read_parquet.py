"""Parquet files: typed columns stay typed, nested ones become JSON text."""

from __future__ import annotations

from io import BytesIO

import polars as pl

from analysis.intake import limits
from analysis.intake.broken import broken_rows
from analysis.intake.foreign import refusing
from analysis.intake.furniture import unique_headings
from analysis.intake.raw import ROW, RawTable
from analysis.intake.snapshot import Snapshot
from analysis.intake.values import column


def parquet_table(file: Snapshot) -> RawTable:
    """The one table of a Parquet file; rows count from 1.

    Raises
    ------
    CannotRun
        The file is damaged, cut off, no Parquet, or passes a limit.
    """
    with refusing(file.label, "Parquet file"):
        plan = pl.scan_parquet(BytesIO(file.data), glob=False)
        limits.check_size(file.label, columns=len(plan.collect_schema()), rows=plan.select(pl.len()).collect().item())
        frame = pl.read_parquet(BytesIO(file.data), glob=False)
    cells = pl.DataFrame([_flat(frame[name]) for name in frame.columns])
    cells = cells.rename(dict(zip(frame.columns, unique_headings(frame.columns), strict=True)))
    row = pl.Series(ROW, range(1, frame.height + 1), dtype=pl.Int64)
    return RawTable(file.label, cells.select(row, pl.all()), broken_rows(), file.sha256)


def _flat(values: pl.Series) -> pl.Series:
    kind = values.dtype
    if kind == pl.Binary:
        return values.bin.encode("hex")
    if isinstance(kind, pl.Categorical | pl.Enum) or kind == pl.Null:
        return values.cast(pl.String)
    if kind.is_nested() or kind.is_decimal() or kind in (pl.Time, pl.Duration, pl.Object):
        return column(values.to_list()).cast(pl.String).alias(values.name)
    if isinstance(kind, pl.Datetime):
        return _wall_time(values, kind)
    return values.fill_nan(None) if kind.is_float() else values


def _wall_time(values: pl.Series, kind: pl.Datetime) -> pl.Series:
    plain = values.dt.cast_time_unit("us")
    return plain.dt.replace_time_zone(None) if kind.time_zone else plain
