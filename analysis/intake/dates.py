"""Days and moments as exports write them: ISO, day or month first, spreadsheet serials, Unix seconds or ms."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl

Order = Literal["dmy", "mdy", "ymd"]
_TIME = r"(?:[T ,]+(\d{1,2})[:.](\d{2})(?::(\d{2})(?:[.,]\d+)?)?\s*([AaPp]\.?[Mm]\.?)?\s*(?:Z|UTC|[+-]\d{2}:?\d{2})?)?$"
_YEAR_FIRST = r"^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})" + _TIME
_YEAR_LAST = r"^(\d{1,2})[-/. ]+(\d{1,2})[-/. ]+(\d{4}|\d{2})" + _TIME
_SERIAL = r"^\d{5}(?:[.,]\d+)?$"
_UNIX = r"^\d{9,10}(?:\.\d+)?$"
_UNIX_MS = r"^\d{12,13}$"
FIRST_SERIAL, LAST_SERIAL = 32874, 73050
"""1990-01-01 and 2100-01-01 as a spreadsheet counts days from 1899-12-30."""
PIVOT = 69
"""Two-digit years from here on are 19xx, below it 20xx (POSIX)."""


@dataclass(frozen=True)
class Moments:
    """Wall times of one column and whether the hour was written; empty where a cell is empty or no date."""

    at: pl.Series
    has_time: pl.Series


@dataclass(frozen=True)
class OrderFound:
    """What a column tells of its order: `order` None where its dates would read either way, and an example of one."""

    order: Order | None
    example: str | None


def order_told(cells: pl.Series) -> OrderFound:
    """Day or month first, as far as a column of texts decides it: a number above 12 is a day."""
    parts = pl.DataFrame({"cell": cells.drop_nulls()}).select(
        "cell", part=pl.col("cell").str.extract_groups(_YEAR_LAST)
    )
    parts = parts.select("cell", *(pl.col("part").struct.field(str(i)).cast(pl.Int64) for i in (1, 2))).drop_nulls()
    if parts.is_empty():
        return OrderFound("ymd", None)
    days_first, months_first = ((parts.get_column(str(i)) > 12).sum() for i in (1, 2))
    if days_first == months_first == 0:
        return OrderFound(None, str(parts.get_column("cell")[0]))
    return OrderFound("dmy" if days_first >= months_first else "mdy", None)


def moments(cells: pl.Series, order: Order | None) -> Moments:
    """The wall times a column of texts tells; a stamp with an offset keeps its wall time, Unix times are UTC.

    Parameters
    ----------
    cells
        Texts without outer space, empty where nothing was recorded.
    order
        Day or month first for dates that do not begin with the year; None: as the column's content decides, day first
        where it does not.
    """
    if order is None or order == "ymd":
        order = order_told(cells).order
        order = "mdy" if order == "mdy" else "dmy"
    text = pl.col("cell")
    frame = pl.DataFrame({"cell": cells.cast(pl.String)})
    known = frame.select(
        first=text.str.extract_groups(_YEAR_FIRST),
        last=text.str.extract_groups(_YEAR_LAST),
        serial=pl.when(text.str.contains(_SERIAL)).then(text.str.replace(",", ".").cast(pl.Float64, strict=False)),
        unix=pl.when(text.str.contains(_UNIX)).then(text.cast(pl.Float64, strict=False) * 1000),
        unix_ms=pl.when(text.str.contains(_UNIX_MS)).then(text.cast(pl.Float64, strict=False)),
    )
    day, month = ("1", "2") if order == "dmy" else ("2", "1")
    serial = pl.when(pl.col("serial").is_between(FIRST_SERIAL, LAST_SERIAL)).then("serial")
    since_1970 = pl.coalesce("unix", "unix_ms", ((serial - 25569) * 86_400_000).round())
    at = pl.coalesce(
        _written("first", "1", "2", "3"),
        _written("last", "3", month, day),
        since_1970.cast(pl.Int64).cast(pl.Datetime("ms")).dt.cast_time_unit("us"),
    )
    hour = pl.coalesce(pl.col("first").struct.field("4"), pl.col("last").struct.field("4"))
    told = (
        hour.is_not_null()
        | pl.col("unix").is_not_null()
        | pl.col("unix_ms").is_not_null()
        | (serial != serial.floor()).fill_null(False)
    )
    found = known.select(at=at, told=told).select("at", told=pl.when(pl.col("at").is_not_null()).then("told"))
    return Moments(found.get_column("at"), found.get_column("told"))


def _written(groups: str, year: str, month: str, day: str) -> pl.Expr:
    part = {key: pl.col(groups).struct.field(key) for key in (year, month, day, "4", "5", "6", "7")}
    number = part[year].cast(pl.Int64)
    full_year = pl.when(part[year].str.len_chars() == 4).then(number).when(number < PIVOT).then(number + 2000)
    hour = part["4"].cast(pl.Int64).fill_null(0)
    half = part["7"].str.to_lowercase().str.slice(0, 1)
    on_clock = pl.when(half.is_null()).then(hour).when(hour.is_between(1, 12)).then(hour % 12)
    hour = on_clock + pl.when((half == "p").fill_null(False)).then(12).otherwise(0)
    pieces = [
        full_year.otherwise(number + 1900).cast(pl.String),
        *(part[key].str.zfill(2) for key in (month, day)),
        hour.cast(pl.String).str.zfill(2),
        *(part[key].fill_null("00") for key in ("5", "6")),
    ]
    return pl.concat_str(pieces, separator="-").str.to_datetime("%Y-%m-%d-%H-%M-%S", time_unit="us", strict=False)
