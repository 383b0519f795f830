"""Replace month names in six languages by numbers, and drop names of weekdays."""

from __future__ import annotations

import polars as pl

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
