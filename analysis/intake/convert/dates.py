"""Days and moments as exports write them: ISO, day or month first, spreadsheet serials, Unix seconds or ms."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from analysis.intake.convert.cleaned_text import apply_to_unique, as_text
from analysis.intake.convert.date_order import YEAR_LAST, Order, order_of_dates
from analysis.intake.convert.month_names import with_month_numbers

_TIME = (
    r"(?:(?:[T ,;]|\s)+(\d{1,2})\s*[:.h]\s*(\d{2})(?:[:.](\d{2})(?:[.,](\d{1,9}))?)?\s*(?:([ap])\.?\s?m\.?|uhr|h)?"
    r"\s*(?:z|utc|gmt|[+-]\d{2}:?\d{2})?)?\s*$"
)
_YEAR_FIRST = r"(?i)^(\d{4})[-/. ]+(\d{1,2})[-/. ]+(\d{1,2})\.?" + _TIME
_COMPACT = r"(?i)^(\d{4})(\d{2})(\d{2})[T ]?(\d{2})(\d{2})(?:(\d{2}))?()()\s*(?:z|[+-]\d{2}:?\d{2})?$"
_ISO = ("%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M")
FIRST_SERIAL, LAST_SERIAL = 32874, 73050
"""1990-01-01 and 2100-01-01 as a spreadsheet counts days from 1899-12-30."""
_SERIAL_OF_1970 = 25569
_FIRST_SECOND, _LAST_SECOND = 631_152_000, 4_102_444_800
"""1990-01-01 and 2100-01-01 in Unix seconds."""
PIVOT = 69
"""Two-digit years from here on are 19xx, below it 20xx (POSIX)."""


@dataclass(frozen=True)
class ParsedDatetimes:
    """Wall times of one column and whether the hour was written; empty where a cell is empty or no date."""

    at: pl.Series
    has_time: pl.Series


def parse_datetimes(cells: pl.Series, order: Order | None) -> ParsedDatetimes:
    """The wall times a column tells; a stamp with an offset keeps its wall time, Unix times are UTC.

    A column whose hours are all midnight holds days.

    Parameters
    ----------
    cells
        Texts without outer space, empty where nothing was recorded; or days, stamps or numbers.
    order
        Day or month first for dates that do not begin with a four-digit year; None: as the column's content decides,
        day first where it does not.
    """
    parsed = _typed(cells) if cells.dtype.is_temporal() or cells.dtype.is_numeric() else _from_text(cells, order)
    return _days_where_all_midnight(parsed)


def _days_where_all_midnight(parsed: pl.DataFrame) -> ParsedDatetimes:
    later = pl.col("told") & (pl.col("at") != pl.col("at").dt.truncate("1d"))
    has_time = parsed.select(pl.when(pl.col("at").is_not_null()).then(pl.col("told") & later.any())).to_series()
    return ParsedDatetimes(parsed["at"], has_time)


def _typed(cells: pl.Series) -> pl.DataFrame:
    if isinstance(cells.dtype, pl.Datetime):
        at = cells.dt.replace_time_zone(None).dt.cast_time_unit("us")
        return pl.DataFrame({"at": at, "told": at.is_not_null()})
    if cells.dtype == pl.Date:
        at = cells.cast(pl.Datetime("us"))
        return pl.DataFrame({"at": at, "told": at.is_null() & False})
    if cells.dtype.is_numeric():
        return _from_numbers(cells.cast(pl.Float64))
    return _from_text(as_text(cells), None)


def _from_numbers(number: pl.Series) -> pl.DataFrame:
    """Days since 1899-12-30, seconds, milliseconds or microseconds since 1970, or yyyymmdd, told by their size."""
    n = pl.col("n")
    unit_ms = pl.coalesce(
        pl.when(n.is_between(FIRST_SERIAL, LAST_SERIAL)).then((n - _SERIAL_OF_1970) * 86_400_000),
        *(
            pl.when(n.is_between(_FIRST_SECOND * scale, _LAST_SECOND * scale)).then(n / scale * 1000)
            for scale in (1, 1_000, 1_000_000)
        ),
    )
    unix_times = unit_ms.round().cast(pl.Int64).cast(pl.Datetime("ms")).dt.cast_time_unit("us")
    day = pl.when(n.is_between(19_000_101, 21_001_231)).then(n.cast(pl.Int64, strict=False).cast(pl.String))
    compact = day.str.to_datetime("%Y%m%d", strict=False, time_unit="us")
    frame = number.to_frame("n").select(n=pl.when(n.is_finite()).then(n))
    return frame.select(
        at=pl.coalesce(unix_times, compact), told=(n > LAST_SERIAL) & compact.is_null() | (n != n.floor())
    )


def _from_text(cells: pl.Series, order: Order | None) -> pl.DataFrame:
    """ISO in one sweep; whatever is left, text by text."""
    day = cells.str.to_datetime("%Y-%m-%d", strict=False, time_unit="us")
    at, rest = day, cells
    for style in _ISO:
        rest = rest.to_frame("c").select(pl.when(at.is_null()).then("c")).to_series()
        if rest.null_count() == len(rest):
            break
        at = at.fill_null(rest.str.to_datetime(style, strict=False, time_unit="us"))
    at = at.to_frame("at").select(pl.when(pl.col("at").dt.year() >= 1000).then("at")).to_series()
    has_time = at.is_not_null() & day.is_null()
    unread = at.is_null() & cells.is_not_null()
    if not unread.any():
        return pl.DataFrame({"at": at, "told": has_time})
    remaining = pl.DataFrame({"c": cells, "left": unread}).select(pl.when("left").then("c")).to_series()
    slow = apply_to_unique(remaining, lambda texts: _read_texts(texts, order))
    return slow.select(at=at.fill_null(slow["at"]), told=has_time | (unread & slow["told"]).fill_null(False))


def _read_texts(texts: pl.Series, order: Order | None) -> pl.DataFrame:
    numeric = _from_numbers(texts.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False))
    texts_with_months = with_month_numbers(texts)
    order = order or order_of_dates(texts_with_months).order or "dmy"
    last = {"dmy": ("3", "2", "1"), "mdy": ("3", "1", "2"), "ymd": ("1", "2", "3")}[order]
    groups = texts_with_months.to_frame("t").select(
        first=pl.col("t").str.extract_groups(_YEAR_FIRST),
        last=pl.col("t").str.extract_groups(YEAR_LAST + _TIME),
        compact=pl.col("t").str.extract_groups(_COMPACT),
    )
    styles = (("first", ("1", "2", "3")), ("last", last), ("compact", ("1", "2", "3")))
    at = pl.coalesce(*(_moment(style, *parts) for style, parts in styles))
    hour = pl.coalesce(*(pl.col(style).struct.field("4") for style, _ in styles))
    parsed = groups.select(at=at, told=hour.is_not_null())
    return parsed.select(at=pl.coalesce(numeric["at"], "at"), told=numeric["told"].fill_null(False) | pl.col("told"))


def _moment(style: str, year: str, month: str, day: str) -> pl.Expr:
    part = {key: pl.col(style).struct.field(key) for key in (year, month, day, "4", "5", "6", "7", "8")}
    number = part[year].cast(pl.Int64)
    century = pl.when(part[year].str.len_chars() > 2).then(0).when(number < PIVOT).then(2000).otherwise(1900)
    hour = part["4"].cast(pl.Int64).fill_null(0)
    half = part["8"].str.to_lowercase()
    on_clock = pl.when(half.is_null() | (half == "")).then(hour).when(hour.is_between(1, 12)).then(hour % 12)
    pieces = [
        (number + century).cast(pl.String),
        *(part[key].str.zfill(2) for key in (month, day)),
        (on_clock + pl.when(half == "p").then(12).otherwise(0)).cast(pl.String).str.zfill(2),
        *(part[key].fill_null("00") for key in ("5", "6")),
        part["7"].fill_null("").str.pad_end(6, "0").str.slice(0, 6),
    ]
    return pl.concat_str(pieces, separator="-").str.to_datetime("%Y-%m-%d-%H-%M-%S-%6f", time_unit="us", strict=False)
