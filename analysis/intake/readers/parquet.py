"""Parquet files as raw tables: columns keep their types, nested values become JSON text."""

from __future__ import annotations

import datetime as dt
from io import BytesIO

import polars as pl

from analysis.intake.readers import limits
from analysis.intake.readers.files import Snapshot
from analysis.intake.readers.library_failures import library_errors_as_user_errors
from analysis.intake.readers.non_data_rows import unique_headings
from analysis.intake.readers.raw_table import ROW, RawTable, unparsed_rows
from analysis.intake.readers.values import typed_column

_PER_DAY = {"days": 1, "ms": 86_400_000, "us": 86_400_000_000, "ns": 86_400_000_000_000}
_FIRST_DAY, _LAST_DAY = (day.toordinal() - dt.date(1970, 1, 1).toordinal() for day in (dt.date.min, dt.date.max))


def parquet_table(file: Snapshot) -> RawTable:
    """Read the table of a Parquet file; rows are counted from 1.

    Raises
    ------
    UserError
        The file is damaged, not a Parquet file, or exceeds a limit.
    """
    with library_errors_as_user_errors(file.label, "Parquet file"):
        scan = pl.scan_parquet(BytesIO(file.data), glob=False)
        limits.check_size(file.label, columns=len(scan.collect_schema()), rows=scan.select(pl.len()).collect().item())
        frame = pl.read_parquet(BytesIO(file.data), glob=False)
        return frame_table(file.label, frame, file.sha256)


def frame_table(label: str, frame: pl.DataFrame, sha256: str = "") -> RawTable:
    """A frame as a raw table; its rows are counted from 1."""
    headings = unique_headings(frame.columns)
    columns = zip(frame.get_columns(), headings, strict=True)
    cells = [_plain_column(values).alias(name) for values, name in columns]
    row = pl.Series(ROW, range(1, frame.height + 1), dtype=pl.Int64)
    return RawTable(label, pl.DataFrame([row, *cells]), unparsed_rows(), sha256)


def _plain_column(values: pl.Series) -> pl.Series:
    dtype = values.dtype
    if dtype == pl.Binary:
        return values.bin.encode("hex")
    if isinstance(dtype, pl.Categorical | pl.Enum) or dtype == pl.Null:
        return values.cast(pl.String)
    if dtype.is_nested() or dtype.is_decimal() or dtype in (pl.Time, pl.Duration, pl.Object):
        return typed_column(values.to_list()).cast(pl.String).alias(values.name)
    if isinstance(dtype, pl.Datetime | pl.Date):
        return _dates(values, dtype)
    return values.fill_nan(None) if dtype.is_float() else values


def _dates(values: pl.Series, dtype: pl.Datetime | pl.Date) -> pl.Series:
    """Dates, or local times in microseconds; all as text if one is outside the calendar, such as a database's infinity."""
    number = values.to_physical()
    per_day = _PER_DAY["days" if isinstance(dtype, pl.Date) else dtype.time_unit]
    margin = int(isinstance(dtype, pl.Datetime) and dtype.time_zone is not None)  # local time can be a day apart
    outside = (~(number // per_day).is_between(_FIRST_DAY + margin, _LAST_DAY - margin)).fill_null(False)
    if not outside.any():
        return _local_time(values, dtype)
    inside = _local_time(values.set(outside, None), dtype).cast(pl.String)
    return inside.zip_with(~outside, number.cast(pl.String))


def _local_time(values: pl.Series, dtype: pl.Datetime | pl.Date) -> pl.Series:
    if isinstance(dtype, pl.Date):
        return values
    return values.dt.cast_time_unit("us").dt.replace_time_zone(None)
