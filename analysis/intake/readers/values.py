"""Values as a database or JSON hands them over, as polars columns that lose nothing."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Any

import polars as pl

_EXACT_BELOW = 2**53
_TYPED: dict[type, Any] = {
    bool: pl.Boolean,
    int: pl.Int64,
    float: pl.Float64,
    str: pl.String,
    dt.date: pl.Date,
    dt.datetime: pl.Datetime("us"),
}
_INT64 = range(-(2**63), 2**63)


def column(values: Sequence[Any]) -> pl.Series:
    """One column of Python values: typed where all are of one kind, else text. No value is rounded or lost.

    Decimals, stamps with an offset, uuids, times and nested values are text; bytes are hexadecimal text; NaN is null.
    """
    kinds = set(map(type, values)) - {type(None)}
    plain = _plain_column(values, kinds.pop()) if len(kinds) == 1 else None
    return _mixed_column(values) if plain is None else plain


def joined(parts: Sequence[pl.Series]) -> pl.Series:
    """The batches of one column, one below the other; batches of different types meet as text."""
    kinds = {part.dtype for part in parts} - {pl.Null()}
    if not kinds:
        return pl.Series([None] * sum(len(part) for part in parts), dtype=pl.String)
    if kinds == {pl.Int64(), pl.Float64()} and all(_exact_as_float(part) for part in parts):
        kinds = {pl.Float64()}
    kind = kinds.pop() if len(kinds) == 1 else pl.String()
    return pl.concat([part if part.dtype == kind else _cast(part, kind) for part in parts])


def text_of(value: Any) -> str | None:
    """A value as text: true and false, ISO dates, the shortest exact number, no ".0" on a whole one."""
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < _EXACT_BELOW else repr(value)
    if isinstance(value, dt.datetime):
        return value.isoformat(sep=" ")
    return str(value)


def encodable(text: str) -> str:
    """A text that can be written as UTF-8: half a surrogate pair becomes a question mark."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _plain_column(values: Sequence[Any], kind: type) -> pl.Series | None:
    """The quick way for a column of one simple type; None where its values need a look each."""
    if kind not in _TYPED or (kind is dt.datetime and any(value and value.tzinfo for value in values)):
        return None
    try:
        series = pl.Series(values, dtype=_TYPED[kind])
    except (OverflowError, TypeError, UnicodeError, pl.exceptions.PolarsError):  # past 64 bits, or half a character
        return None
    if kind is str:
        return series.replace("", None)
    return series.fill_nan(None) if kind is float else series


def _mixed_column(values: Sequence[Any]) -> pl.Series:
    plain_values = [_plain_value(value) for value in values]
    kinds = {type(value) for value in plain_values if value is not None}
    if not kinds:
        return pl.Series(plain_values, dtype=pl.Null)
    if kinds == {int, float} and all(abs(value) <= _EXACT_BELOW for value in plain_values if type(value) is int):
        return pl.Series([None if value is None else float(value) for value in plain_values], dtype=pl.Float64)
    if len(kinds) > 1:
        return pl.Series([text_of(value) for value in plain_values], dtype=pl.String)
    return pl.Series(plain_values, dtype=_TYPED[kinds.pop()])


def _exact_as_float(part: pl.Series) -> bool:
    return part.dtype != pl.Int64 or bool((part.abs() <= _EXACT_BELOW).all())


def _cast(part: pl.Series, kind: pl.DataType) -> pl.Series:
    if part.dtype == pl.Null or kind == pl.Float64:
        return part.cast(kind)
    return pl.Series([text_of(value) for value in part], dtype=pl.String)


def _plain_value(value: Any) -> Any:
    plain = _PLAIN.get(type(value))
    if plain is not None:
        return plain(value)
    if isinstance(value, dict | list):
        return encodable(json.dumps(value, ensure_ascii=False, default=str))
    return encodable(str(value))


def _whole(value: int) -> int | str:
    return value if value in _INT64 else str(value)


def _number(value: float) -> float | None:
    return None if math.isnan(value) else value


def _stamp(value: dt.datetime) -> dt.datetime | str:
    return value if value.tzinfo is None else value.isoformat(sep=" ")


def _same(value: Any) -> Any:
    return value


_PLAIN: dict[type, Callable[[Any], Any]] = {
    type(None): _same,
    bool: _same,
    str: lambda value: encodable(value) or None,
    dt.date: _same,
    int: _whole,
    float: _number,
    dt.datetime: _stamp,
    Decimal: lambda value: None if value.is_nan() else format(value, "f"),
    bytes: bytes.hex,
    memoryview: lambda value: bytes(value).hex(),
    dt.time: dt.time.isoformat,
}
