"""Parse dates and date-times: ISO, day or month first, months by name in six languages, serial numbers, Unix time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl

from analysis.intake.convert.cleaned_text import apply_to_unique, as_text

_MONTHS = (
    "jan|januar|january|jänner|janvier|janv|januari|enero|ene|gennaio|gen",
    "feb|februar|february|février|fevrier|févr|fév|februari|febrero|febbraio|febr",
    "mar|mär|märz|mrz|maerz|march|mars|maart|mrt|marzo",
    "apr|april|avril|avr|abril|abr|aprile",
    "may|mai|mei|mayo|maggio|mag",
    "jun|juni|june|juin|junio|giugno|giu",
    "jul|juli|july|juillet|juil|julio|luglio|lug",
    "aug|august|août|aout|augustus|agosto|ago",
    "sep|sept|september|septembre|septiembre|settembre|set",
    "oct|okt|october|oktober|octobre|octubre|ottobre|ott",
    "nov|november|novembre|noviembre",
    "dec|dez|déc|december|dezember|décembre|decembre|diciembre|dic|dicembre",
)
_ANY_MONTH = "|".join(_MONTHS)
_DAY_FIRST = (
    rf"(?i)^(?:\p{{L}}+\.?,?\s+)??(\d{{1,2}})(?:st|nd|rd|th|er|\.)?[\s\-/.]*(?:de\s+)?({_ANY_MONTH})\b"
    r"\.?,?[\s\-/.]*(?:del?\s+)?(\d{4}|\d{2})\b(.*)$"
)
_MONTH_FIRST = (
    rf"(?i)^(?:\p{{L}}+\.?,?\s+)??({_ANY_MONTH})\b\.?[\s\-/.]*(\d{{1,2}})(?:st|nd|rd|th)?,?\s+(\d{{4}})\b(.*)$"
)
_WEEKDAY = r"^\p{L}{2,10}\.?,?\s+(\d)"
CENTURY_PIVOT = 69
"""Two-digit years from here on are 19xx, below it 20xx (POSIX, strptime, %y)."""
Order = Literal["dmy", "mdy", "ymd"]
YEAR_LAST = r"(?i)^(\d{1,2})[-/. ]+(\d{1,2})[-/. ]+(\d{4}|\d{2})\.?"
_STARTS_WITH_YEAR = r"^\d{4}-\d"
_CLEAR_MAJORITY = 10
"""How many dates must agree for each one that contradicts."""
_MAX_YEARS = 9
"""A log covers at most this many years; days of the month cover more numbers."""
_TIME = (
    r"(?:(?:[T ,;]|\s)+(\d{1,2})\s*[:.h]\s*(\d{2})(?:[:.](\d{2})(?:[.,](\d{1,9}))?)?\s*(?:([ap])\.?\s?m\.?|uhr|h)?"
    r"\s*(?:z|utc|gmt|[+-]\d{2}:?\d{2})?)?\s*$"
)
_YEAR_FIRST = r"(?i)^(\d{4})[-/. ]+(\d{1,2})[-/. ]+(\d{1,2})\.?" + _TIME
_COMPACT = r"(?i)^(\d{4})(\d{2})(\d{2})[T ]?(\d{2})(\d{2})(?:(\d{2}))?()()\s*(?:z|[+-]\d{2}:?\d{2})?$"
_ISO_DAY = "%Y-%m-%d"
_ISO_FORMATS = ("%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M")
FIRST_SERIAL, LAST_SERIAL = 32874, 73050
"""1990-01-01 and 2100-01-01 as a spreadsheet counts days from 1899-12-30."""
_SERIAL_OF_1970 = 25569
_FIRST_SECOND, _LAST_SECOND = 631_152_000, 4_102_444_800
"""1990-01-01 and 2100-01-01 in Unix seconds."""
_MS_PER_DAY = 86_400_000


def with_month_numbers(texts: pl.Series) -> pl.Series:
    """The texts with dates such as `12. März 2024` and `Mar 12, 2024` as 2024-3-12, without a weekday before a date."""
    if not texts.str.contains(r"\p{L}{2}").any():
        return texts
    number = {name: str(month) for month, names in enumerate(_MONTHS, start=1) for name in names.split("|")}
    text = pl.col("text")
    frame = texts.to_frame("text").select(
        "text", day_first=text.str.extract_groups(_DAY_FIRST), month_first=text.str.extract_groups(_MONTH_FIRST)
    )
    dates = [
        _iso_date(pl.col(pattern).struct, year, month, day, number)
        for pattern, year, month, day in (("day_first", "3", "2", "1"), ("month_first", "3", "1", "2"))
    ]
    return frame.select(pl.coalesce(*dates, text.str.replace(_WEEKDAY, "$1"))).to_series()


def _iso_date(
    group: pl.expr.struct.ExprStructNameSpace, year: str, month: str, day: str, number: dict[str, str]
) -> pl.Expr:
    month_number = group.field(month).str.to_lowercase().replace_strict(number, default=None, return_dtype=pl.String)
    year_digits = group.field(year)
    years = year_digits.cast(pl.Int64)
    century = pl.when(year_digits.str.len_chars() > 2).then(0).when(years < CENTURY_PIVOT).then(2000).otherwise(1900)
    return pl.concat_str(
        (years + century).cast(pl.String), pl.lit("-"), month_number, pl.lit("-"), group.field(day), group.field("4")
    )


@dataclass(frozen=True)
class DateOrder:
    """The order of the dates; None if they can be read both ways, with an example of such a date."""

    order: Order | None
    example: str | None = None


def file_date_order(cells: pl.DataFrame) -> DateOrder:
    """The order in the first column that decides it.

    If none does, day first and an ambiguous date with its heading; None if every date starts with the year.
    """
    example = None
    for column in cells.select(pl.col(pl.String)).iter_columns():
        order = column_date_order(column)
        if order.order in ("dmy", "mdy"):
            return DateOrder(order.order)
        if order.order is None:
            example = example or f"{column.name}: {order.example}"
    return DateOrder("dmy" if example else None, example)


def column_date_order(cells: pl.Series) -> DateOrder:
    """The order in a column of texts."""
    dates = cells.drop_nulls()
    if dates.str.contains(_STARTS_WITH_YEAR).all():
        return DateOrder("ymd")
    return order_of_dates(with_month_numbers(dates.unique(maintain_order=True)))


def order_of_dates(texts: pl.Series) -> DateOrder:
    """The order among dates in digits: a number above 12 is a day.

    "ymd" if no date ends with its year, and "dmy" if day and month are equal in every date.
    """
    parts = texts.to_frame("text").select("text", part=pl.col("text").str.extract_groups(YEAR_LAST)).unnest("part")
    numbers = parts.select("text", *(pl.col(group).cast(pl.Int64) for group in ("1", "2", "3"))).drop_nulls()
    if numbers.is_empty():
        return DateOrder("ymd")
    first, second, last = (numbers[group] for group in ("1", "2", "3"))
    if _starts_with_year(first, second, last):
        return DateOrder("ymd")
    day_first, month_first = int(((first > 12) & (second <= 12)).sum()), int(((second > 12) & (first <= 12)).sum())
    if day_first > _CLEAR_MAJORITY * month_first:
        return DateOrder("dmy")
    if month_first > _CLEAR_MAJORITY * day_first:
        return DateOrder("mdy")
    ambiguous = numbers.filter((first <= 12) & (second <= 12) & (first != second))
    if ambiguous.is_empty() and not (day_first or month_first):
        return DateOrder("dmy")
    return DateOrder(None, str((ambiguous if ambiguous.height else numbers)["text"][0]))


def _starts_with_year(first: pl.Series, second: pl.Series, last: pl.Series) -> bool:
    """Whether two-digit years come first: nearly every date can be read so, and the first number varies least."""
    possible = (second <= 12) & (last <= 31)
    if possible.sum() < 0.9 * len(possible):
        return False
    spans = [part.filter(possible).to_numpy() for part in (first, last)]
    first_span, last_span = (int(span.max() - span.min()) for span in spans)
    return bool((first > 31).any()) or first_span <= _MAX_YEARS < last_span


@dataclass(frozen=True)
class ParsedDatetimes:
    """The local times of a column, null where there is no date, and whether the time of day was recorded."""

    local_time: pl.Series
    has_time: pl.Series


def parse_datetimes(cells: pl.Series, order: Order | None) -> ParsedDatetimes:
    """Parse a column; a time with an offset keeps its local time, Unix times are UTC.

    If every time of day is midnight, the column holds days.

    Parameters
    ----------
    cells
        Texts without outer spaces, null where missing; or dates, date-times or numbers.
    order
        The order in dates that do not start with a four-digit year; None: as found in the column, else day first.
    """
    parsed = _parse_typed(cells) if cells.dtype.is_temporal() or cells.dtype.is_numeric() else _parse_text(cells, order)
    not_midnight = pl.col("has_time") & (pl.col("local_time") != pl.col("local_time").dt.truncate("1d"))
    has_time = pl.when(pl.col("local_time").is_not_null()).then(pl.col("has_time") & not_midnight.any())
    return ParsedDatetimes(parsed["local_time"], parsed.select(has_time).to_series())


def _parse_typed(cells: pl.Series) -> pl.DataFrame:
    if isinstance(cells.dtype, pl.Datetime):
        local_time = cells.dt.replace_time_zone(None).dt.cast_time_unit("us")
        return pl.DataFrame({"local_time": local_time, "has_time": local_time.is_not_null()})
    if cells.dtype == pl.Date:
        local_time = cells.cast(pl.Datetime("us"))
        return pl.DataFrame({"local_time": local_time, "has_time": pl.repeat(False, len(cells), eager=True)})
    if cells.dtype.is_numeric():
        return _parse_numbers(cells.cast(pl.Float64))
    return _parse_text(as_text(cells), None)


def _parse_numbers(numbers: pl.Series) -> pl.DataFrame:
    """Read numbers by their size: days since 1899-12-30, seconds to microseconds since 1970, or yyyymmdd."""
    n = pl.col("n")
    milliseconds = pl.coalesce(
        pl.when(n.is_between(FIRST_SERIAL, LAST_SERIAL)).then((n - _SERIAL_OF_1970) * _MS_PER_DAY),
        *(
            pl.when(n.is_between(_FIRST_SECOND * scale, _LAST_SECOND * scale)).then(n / scale * 1000)
            for scale in (1, 1_000, 1_000_000)
        ),
    )
    unix_time = milliseconds.round().cast(pl.Int64).cast(pl.Datetime("ms")).dt.cast_time_unit("us")
    digits = pl.when(n.is_between(19_000_101, 21_001_231)).then(n.cast(pl.Int64, strict=False).cast(pl.String))
    compact = digits.str.to_datetime("%Y%m%d", strict=False, time_unit="us")
    frame = numbers.to_frame("n").select(n=pl.when(n.is_finite()).then(n))
    return frame.select(
        local_time=pl.coalesce(unix_time, compact),
        has_time=(n > LAST_SERIAL) & compact.is_null() | (n != n.floor()),
    )


def _parse_text(cells: pl.Series, order: Order | None) -> pl.DataFrame:
    """Parse ISO formats by polars, which takes a third of the time of the patterns, and other texts by patterns."""
    day = cells.str.to_datetime(_ISO_DAY, strict=False, time_unit="us")
    local_time = day
    for iso_format in _ISO_FORMATS:
        if local_time.null_count() == cells.null_count():
            break
        local_time = local_time.fill_null(cells.str.to_datetime(iso_format, strict=False, time_unit="us"))
    iso = pl.DataFrame({"text": cells, "day": day, "local_time": local_time}).select(
        "text",
        local_time=pl.when(pl.col("local_time").dt.year() >= 1000).then("local_time"),
        has_time=pl.col("local_time").is_not_null() & pl.col("day").is_null(),
    )
    is_unread = iso["local_time"].is_null() & cells.is_not_null()
    if not is_unread.any():
        return iso.select("local_time", "has_time")
    remaining = iso.select(pl.when(is_unread).then("text")).to_series()
    other = apply_to_unique(remaining, lambda texts: _parse_patterns(texts, order))
    return iso.select(
        local_time=pl.col("local_time").fill_null(other["local_time"]),
        has_time=pl.when(is_unread).then(other["has_time"].fill_null(False)).otherwise("has_time"),
    )


def _parse_patterns(texts: pl.Series, order: Order | None) -> pl.DataFrame:
    numeric = _parse_numbers(texts.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False))
    texts = with_month_numbers(texts)
    order = order or order_of_dates(texts).order or "dmy"
    year_last = {"dmy": ("3", "2", "1"), "mdy": ("3", "1", "2"), "ymd": ("1", "2", "3")}[order]
    groups = texts.to_frame("text").select(
        year_first=pl.col("text").str.extract_groups(_YEAR_FIRST),
        year_last=pl.col("text").str.extract_groups(YEAR_LAST + _TIME),
        compact=pl.col("text").str.extract_groups(_COMPACT),
    )
    positions = {"year_first": ("1", "2", "3"), "year_last": year_last, "compact": ("1", "2", "3")}
    hour = pl.coalesce(*(pl.col(pattern).struct.field("4") for pattern in positions))
    parsed = groups.select(
        local_time=pl.coalesce(*(_local_time(pattern, *parts) for pattern, parts in positions.items())),
        has_time=hour.is_not_null(),
    )
    return parsed.select(
        local_time=pl.coalesce(numeric["local_time"], "local_time"),
        has_time=numeric["has_time"].fill_null(False) | pl.col("has_time"),
    )


def _local_time(pattern: str, year: str, month: str, day: str) -> pl.Expr:
    """The local time from the groups of a pattern: three of the date, then hour, minute, second, fraction and a or p."""
    group = {key: pl.col(pattern).struct.field(key) for key in "12345678"}
    number = group[year].cast(pl.Int64)
    century = pl.when(group[year].str.len_chars() > 2).then(0).when(number < CENTURY_PIVOT).then(2000).otherwise(1900)
    hour = group["4"].cast(pl.Int64).fill_null(0)
    half_day = group["8"].str.to_lowercase()
    hour_of_half = (
        pl.when(half_day.is_null() | (half_day == "")).then(hour).when(hour.is_between(1, 12)).then(hour % 12)
    )
    pieces = [
        (number + century).cast(pl.String),
        *(group[key].str.zfill(2) for key in (month, day)),
        (hour_of_half + pl.when(half_day == "p").then(12).otherwise(0)).cast(pl.String).str.zfill(2),
        *(group[key].fill_null("00") for key in ("5", "6")),
        group["7"].fill_null("").str.pad_end(6, "0").str.slice(0, 6),
    ]
    return pl.concat_str(pieces, separator="-").str.to_datetime("%Y-%m-%d-%H-%M-%S-%6f", time_unit="us", strict=False)
