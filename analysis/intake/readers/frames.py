"""Typed values as raw tables: data frames, Parquet files, what databases return, and JSON lines."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal
from io import BytesIO
from typing import Any

import polars as pl

from analysis.errors import EmptyExport, UserError
from analysis.intake.readers import limits
from analysis.intake.readers.files import Snapshot
from analysis.intake.readers.library_failures import library_errors_as_user_errors
from analysis.intake.readers.raw_table import ROW, RawTable, make_headings_unique, unparsed_rows
from analysis.intake.readers.text_files import decode

_EXACT_AS_FLOAT = 2**53
_DTYPES: dict[type, Any] = {
    bool: pl.Boolean,
    int: pl.Int64,
    float: pl.Float64,
    str: pl.String,
    dt.date: pl.Date,
    dt.datetime: pl.Datetime("us"),
}
_INT64 = range(-(2**63), 2**63)
_PER_DAY = {"days": 1, "ms": 86_400_000, "us": 86_400_000_000, "ns": 86_400_000_000_000}
_FIRST_DAY, _LAST_DAY = (day.toordinal() - dt.date(1970, 1, 1).toordinal() for day in (dt.date.min, dt.date.max))
_MAX_LISTED_KEYS = 12
_MAX_LEVELS = 4
"""Objects within objects that become columns of their own; deeper ones stay whole."""


def typed_column(values: Sequence[Any]) -> pl.Series:
    """One column of values: typed if all are of one type, otherwise text. No value is rounded or lost.

    Decimals, times with an offset, UUIDs, times of day and lists are text; bytes are hexadecimal text; NaN is
    null.
    """
    types = set(map(type, values)) - {type(None)}
    column = _column_of_one_type(values, types.pop()) if len(types) == 1 else None
    return _mixed_column(values) if column is None else column


def concat_batches(batches: Sequence[pl.Series]) -> pl.Series:
    """The batches of one column as one column; text if their types differ, except for exact integers and floats."""
    dtypes = {batch.dtype for batch in batches} - {pl.Null()}
    if not dtypes:
        return pl.Series([None] * sum(len(batch) for batch in batches), dtype=pl.String)
    if dtypes == {pl.Int64(), pl.Float64()} and all(_is_exact_as_float(batch) for batch in batches):
        dtypes = {pl.Float64()}
    dtype = dtypes.pop() if len(dtypes) == 1 else pl.String()
    return pl.concat([batch if batch.dtype == dtype else _cast_batch(batch, dtype) for batch in batches])


def value_to_text(value: Any) -> str | None:
    """A value as text: true and false, ISO dates, the shortest exact number, whole numbers without ".0"."""
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < _EXACT_AS_FLOAT else repr(value)
    if isinstance(value, dt.datetime):
        return value.isoformat(sep=" ")
    return str(value)


def replace_surrogates(text: str) -> str:
    """The text with a question mark for each half of a surrogate pair, which UTF-8 cannot hold."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _column_of_one_type(values: Sequence[Any], value_type: type) -> pl.Series | None:
    """The column by polars alone; None if single values need conversion."""
    if value_type not in _DTYPES or (value_type is dt.datetime and any(value and value.tzinfo for value in values)):
        return None
    try:
        series = pl.Series(values, dtype=_DTYPES[value_type])
    except (OverflowError, TypeError, UnicodeError, pl.exceptions.PolarsError):  # beyond 64 bits, or a surrogate
        return None
    if value_type is str:
        return series.replace("", None)
    return series.fill_nan(None) if value_type is float else series


def _mixed_column(values: Sequence[Any]) -> pl.Series:
    plain = [_plain_value(value) for value in values]
    types = {type(value) for value in plain if value is not None}
    if not types:
        return pl.Series(plain, dtype=pl.Null)
    if types == {int, float} and all(abs(value) <= _EXACT_AS_FLOAT for value in plain if type(value) is int):
        return pl.Series([None if value is None else float(value) for value in plain], dtype=pl.Float64)
    if len(types) > 1:
        return pl.Series([value_to_text(value) for value in plain], dtype=pl.String)
    return pl.Series(plain, dtype=_DTYPES[types.pop()])


def _is_exact_as_float(batch: pl.Series) -> bool:
    return batch.dtype != pl.Int64 or bool((batch.abs() <= _EXACT_AS_FLOAT).all())


def _cast_batch(batch: pl.Series, dtype: pl.DataType) -> pl.Series:
    if batch.dtype == pl.Null or dtype == pl.Float64:
        return batch.cast(dtype)
    return pl.Series([value_to_text(value) for value in batch], dtype=pl.String)


def _plain_value(value: Any) -> Any:
    convert = _CONVERTERS.get(type(value))
    if convert is not None:
        return convert(value)
    if isinstance(value, dict | list):
        return replace_surrogates(json.dumps(value, ensure_ascii=False, default=str))
    return replace_surrogates(str(value))


def _identity(value: Any) -> Any:
    return value


_CONVERTERS: dict[type, Callable[[Any], Any]] = {
    type(None): _identity,
    bool: _identity,
    dt.date: _identity,
    str: lambda value: replace_surrogates(value) or None,
    int: lambda value: value if value in _INT64 else str(value),
    float: lambda value: None if math.isnan(value) else value,
    dt.datetime: lambda value: value if value.tzinfo is None else value.isoformat(sep=" "),
    Decimal: lambda value: None if value.is_nan() else format(value, "f"),
    bytes: bytes.hex,
    memoryview: lambda value: bytes(value).hex(),
    dt.time: dt.time.isoformat,
}


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
    """A frame as a raw table; its rows are counted from 1. The fields of a struct are columns of their own, as `bike.serial`."""
    columns = [part for column in frame.get_columns() for part in _dotted_columns(column)]
    limits.check_size(label, columns=len(columns))
    headings = make_headings_unique([column.name for column in columns])
    cells = [_plain_column(values).alias(name) for values, name in zip(columns, headings, strict=True)]
    row = pl.Series(ROW, range(1, frame.height + 1), dtype=pl.Int64)
    return RawTable(label, pl.DataFrame([row, *cells]), unparsed_rows(), sha256)


def _dotted_columns(values: pl.Series, levels: int = _MAX_LEVELS) -> Iterator[pl.Series]:
    if not levels or not isinstance(values.dtype, pl.Struct) or not values.dtype.fields:
        yield values
        return
    for part in values.struct.unnest().get_columns():
        yield from _dotted_columns(part.alias(f"{values.name}.{part.name}"), levels - 1)


def _plain_column(values: pl.Series) -> pl.Series:
    dtype = values.dtype
    if dtype == pl.Binary:
        return values.bin.encode("hex")
    if isinstance(dtype, pl.Categorical | pl.Enum) or dtype == pl.Null:
        return values.cast(pl.String)
    if dtype.is_nested() or dtype.is_decimal() or dtype in (pl.Time, pl.Duration, pl.Object):
        return typed_column(values.to_list()).cast(pl.String).alias(values.name)
    if isinstance(dtype, pl.Datetime | pl.Date):
        return _convert_dates(values, dtype)
    return values.fill_nan(None) if dtype.is_float() else values


def _convert_dates(values: pl.Series, dtype: pl.Datetime | pl.Date) -> pl.Series:
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


def jsonl_table(file: Snapshot) -> RawTable:
    """Read a file of JSON objects: a column for each key; `row` is the line. Lists are JSON text.

    The keys of an object within an object are columns of their own, as `bike.serial`.

    Raises
    ------
    UserError
        No line holds an object, or the text is damaged or exceeds a limit.
    EmptyExport
        It has only blank lines.
    """
    text = decode(file.label, file.data)
    lines = text.data.decode("utf-8", "replace").split("\n")
    limits.check_size(file.label, rows=len(lines))
    objects = _JsonObjects(file.label)
    for number, line in enumerate(lines, start=1):
        if line.strip():
            objects.append(number, line)
    if not objects.rows and not objects.broken:
        raise EmptyExport(file.label, "only blank lines", "one JSON object per line", "export the log again")
    if not objects.rows:
        raise UserError(
            file.label,
            "no line holds a JSON object",
            'one object per line, as in {"bike_id": "B1", "minutes": 35}',
            "export as JSON lines or CSV",
        )
    cells = objects.cells()
    return RawTable(file.label, cells, unparsed_rows(objects.broken), file.sha256, (*text.notes, *objects.notes))


def _dotted_items(value: dict[str, Any], prefix: str = "", levels: int = _MAX_LEVELS) -> Iterator[tuple[str, Any]]:
    """The cells of an object, those of objects within it under dotted keys; below `levels` they stay whole."""
    for key, cell in value.items():
        if isinstance(cell, dict) and cell and levels:
            yield from _dotted_items(cell, f"{prefix}{key}.", levels - 1)
        else:
            yield f"{prefix}{key}", None if cell == {} else cell


class _JsonObjects:
    """Objects collected line by line.

    They become columns in batches: parsed objects of 30 keys take about 4 kB each, so a million would take 4 GB.
    """

    def __init__(self, label: str) -> None:
        self._label = label
        self.rows: list[int] = []
        self.broken: list[tuple[int, str, str]] = []
        self._columns: dict[str, list[pl.Series]] = {}
        self._batch: list[dict[str, Any]] = []
        self._objects: set[str] = set()
        self._repeated_keys: set[str] = set()

    def append(self, number: int, line: str) -> None:
        try:
            value = json.loads(line, object_pairs_hook=self._build_object)
        except (ValueError, RecursionError) as problem:
            self.broken.append((number, line, f"not JSON ({problem})"))
            return
        if not isinstance(value, dict):
            self.broken.append((number, line, "JSON, but not an object"))
            return
        self.rows.append(number)
        cells = dict(_dotted_items(value))
        self._objects |= {key for key in value if key not in cells}
        self._batch.append(cells)
        if len(self._batch) == limits.BATCH_ROWS:
            self._close_batch()

    @property
    def notes(self) -> tuple[str, ...]:
        keys = ", ".join(repr(replace_surrogates(key)[:60]) for key in sorted(self._repeated_keys)[:_MAX_LISTED_KEYS])
        return (f"some lines have a key more than once; the last value is used: {keys}",) if keys else ()

    def cells(self) -> pl.DataFrame:
        self._close_batch()
        headings = make_headings_unique([replace_surrogates(key) for key in self._columns])
        columns = [
            column.alias(heading)
            for heading, (key, batches) in zip(headings, self._columns.items(), strict=True)
            if (column := concat_batches(batches)).count() or key not in self._objects
        ]
        return pl.DataFrame([pl.Series(ROW, self.rows, dtype=pl.Int64), *columns])

    def _build_object(self, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        value = dict(pairs)
        if len(value) < len(pairs):
            self._repeated_keys |= {key for key, count in Counter(key for key, _ in pairs).items() if count > 1}
        return value

    def _close_batch(self) -> None:
        rows_before = len(self.rows) - len(self._batch)
        for key in dict.fromkeys(key for value in self._batch for key in value):
            self._columns.setdefault(key, [pl.Series([None] * rows_before, dtype=pl.Null)])
        limits.check_size(self._label, columns=len(self._columns))
        for key, batches in self._columns.items():
            batches.append(typed_column([value.get(key) for value in self._batch]))
        self._batch = []
