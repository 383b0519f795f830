"""Numbers as people and programs write them: decimal point or comma, thousands marks, a unit behind."""

from __future__ import annotations

import re
from dataclasses import dataclass

import polars as pl

_SPACES = " \u00a0\u2007\u2009\u202f"
_APOSTROPHES = "'’"
_SHAPE = (
    r"^(?:[€$£]\s*)?([+-]?)\s*([.,]?\d(?:[\d.,"
    + _SPACES
    + _APOSTROPHES
    + r"]*\d)?[.,]?)([eE][+-]?\d+)?\s*([^\d\s].*)?$"
)


@dataclass(frozen=True)
class NumberFormat:
    """Decimal mark and thousands mark of a source; None and "" leave them to the cells themselves."""

    decimal: str | None = None
    thousands: str = ""


def parse_numbers(cells: pl.Series, number_format: NumberFormat) -> pl.DataFrame:
    """Each text as `number`, the `decimals` it shows, whether the last of them `ends_in_zero`, the `suffix` behind it.

    A mark that can only be the decimal mark is taken for it whatever was declared (2,5 is two and a half). A lone mark
    before three digits (1,234) is read as declared, else as the other cells of the column show, else a point is the
    decimal mark and a comma leaves the cell unread.
    """
    parts = cells.to_frame("cell").select(
        pl.col("cell").str.strip_chars().str.replace_all("−", "-").str.extract_groups(_SHAPE).alias("part")
    )
    part = pl.col("part").struct
    shape = parts.select(sign=part.field("1"), body=part.field("2"), power=part.field("3"), suffix=part.field("4"))
    point, comma = (_normalised_digits(shape["body"], mark, number_format.thousands) for mark in (".", ","))
    decimal = number_format.decimal or _decimal_mark(point, comma)
    chosen = pl.coalesce("comma", "point") if decimal == "," else pl.coalesce("point", "comma")
    if decimal is None:
        chosen = pl.when(pl.col("comma") == pl.col("point")).then("point").otherwise(pl.coalesce("only_dot", "sole"))
    readings = shape.with_columns(point=point, comma=comma).with_columns(
        only_dot=pl.when(~pl.col("body").str.contains(",", literal=True)).then("point"),
        sole=pl.when(pl.col("comma").is_null()).then("point").when(pl.col("point").is_null()).then("comma"),
    )
    text = readings.select("sign", "power", "suffix", body=chosen)
    whole = pl.concat_str("sign", "body", pl.col("power").fill_null("")).cast(pl.Float64, strict=False)
    decimals = pl.col("body").str.extract(r"\.(\d*)$").str.len_chars().fill_null(0).cast(pl.Int64)
    return text.select(
        number=pl.when(whole.is_finite()).then(whole),
        decimals=decimals,
        ends_in_zero=pl.col("body").str.contains(r"\.\d*0$").fill_null(False),
        suffix="suffix",
    )


def _normalised_digits(body: pl.Series, decimal: str, thousands: str) -> pl.Series:
    """The digits with a point for `decimal` and no thousands marks; null where they do not stand so."""
    other = "," if decimal == "." else "."
    groups = [other, *_SPACES, *_APOSTROPHES] if not thousands else _alike(thousands)
    grouped = "|".join(rf"[1-9]\d{{0,2}}(?:{re.escape(mark)}\d{{3}})+" for mark in groups if mark != decimal)
    whole = rf"(?:\d+|{grouped})" if grouped else r"\d+"
    point = re.escape(decimal)
    fits = body.str.contains(rf"^(?:{whole}(?:{point}\d*)?|{point}\d+)$")
    bare = body.str.replace_all(f"[^0-9{point}]", "").str.replace(decimal, ".", literal=True)
    return bare.to_frame("bare").select(pl.when(fits).then("bare").alias("read")).to_series()


def _alike(thousands: str) -> list[str]:
    if thousands in _SPACES:
        return list(_SPACES)
    return list(_APOSTROPHES) if thousands in _APOSTROPHES else [thousands]


def _decimal_mark(point: pl.Series, comma: pl.Series) -> str | None:
    """The decimal mark that some cells prove and none disproves."""
    only_point, only_comma = (
        (point.is_not_null() & comma.is_null()).any(),
        (comma.is_not_null() & point.is_null()).any(),
    )
    if only_point == only_comma:
        return None
    return "." if only_point else ","
