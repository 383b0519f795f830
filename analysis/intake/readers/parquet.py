"""Parquet files: typed columns stay typed, nested ones become JSON text."""

from __future__ import annotations

import datetime as dt
from io import BytesIO

import polars as pl

from analysis.intake.readers import limits
from analysis.intake.readers.library_errors import refusing
from analysis.intake.readers.non_data_rows import unique_headings
from analysis.intake.readers.raw_table import ROW, RawTable
from analysis.intake.readers.snapshot import Snapshot
from analysis.intake.readers.unparsed_rows import unparsed_rows
from analysis.intake.readers.values import column

_FOR_EACH_DAY = {"days": 1, "ms": 86_400_000, "us": 86_400_000_000, "ns": 86_400_000_000_000}
_FIRST_DAY, _LAST_DAY = (day.toordinal() - dt.date(1970, 1, 1).toordinal() for day in (dt.date.min, dt.date.max))


def parquet_table(file: Snapshot) -> RawTable:
    """The one table of a Parquet file; rows count from 1.

    Raises
    ------
    UserError
        The file is damaged, cut off, no Parquet, or passes a limit.
    """
    with refusing(file.label, "Parquet file"):
        plan = pl.scan_parquet(BytesIO(file.data), glob=False)
        limits.check_size(file.label, columns=len(plan.collect_schema()), rows=plan.select(pl.len()).collect().item())
        frame = pl.read_parquet(BytesIO(file.data), glob=False)
        headings = unique_headings(frame.columns)
        cells = pl.DataFrame(
            [_flat(values).alias(name) for values, name in zip(frame.get_columns(), headings, strict=True)]
        )
    row = pl.Series(ROW, range(1, frame.height + 1), dtype=pl.Int64)
    return RawTable(file.label, cells.select(row, pl.all()), unparsed_rows(), file.sha256)


def _flat(values: pl.Series) -> pl.Series:
    kind = values.dtype
    if kind == pl.Binary:
        return values.bin.encode("hex")
    if isinstance(kind, pl.Categorical | pl.Enum) or kind == pl.Null:
        return values.cast(pl.String)
    if kind.is_nested() or kind.is_decimal() or kind in (pl.Time, pl.Duration, pl.Object):
        return column(values.to_list()).cast(pl.String).alias(values.name)
    if isinstance(kind, pl.Datetime | pl.Date):
        return _calendar(values, kind)
    return values.fill_nan(None) if kind.is_float() else values


def _calendar(values: pl.Series, kind: pl.Datetime | pl.Date) -> pl.Series:
    """Days, or wall time in microseconds; with one that no calendar holds, such as a database's infinity, all are text."""
    number = values.to_physical()
    for_each_day = _FOR_EACH_DAY["days" if isinstance(kind, pl.Date) else kind.time_unit]
    margin = int(isinstance(kind, pl.Datetime) and kind.time_zone is not None)  # its wall time may lie a day off
    outside = (~(number // for_each_day).is_between(_FIRST_DAY + margin, _LAST_DAY - margin)).fill_null(False)
    if not outside.any():
        return _wall_time(values, kind)
    inside = _wall_time(values.set(outside, None), kind).cast(pl.String)
    return inside.zip_with(~outside, number.cast(pl.String))


def _wall_time(values: pl.Series, kind: pl.Datetime | pl.Date) -> pl.Series:
    if isinstance(kind, pl.Date):
        return values
    plain = values.dt.cast_time_unit("us")
    return plain.dt.replace_time_zone(None) if kind.time_zone else plain
