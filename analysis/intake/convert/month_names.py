"""Months written as words, in the six languages of the exports, as numbers; days of the week left out."""

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
_ANY = "|".join(_MONTHS)
_DAY_FIRST = (
    rf"(?i)^(?:\p{{L}}+\.?,?\s+)??(\d{{1,2}})(?:st|nd|rd|th|er|\.)?[\s\-/.]*(?:de\s+)?({_ANY})\b"
    r"\.?,?[\s\-/.]*(?:del?\s+)?(\d{4}|\d{2})\b(.*)$"
)
_MONTH_FIRST = rf"(?i)^(?:\p{{L}}+\.?,?\s+)??({_ANY})\b\.?[\s\-/.]*(\d{{1,2}})(?:st|nd|rd|th)?,?\s+(\d{{4}})\b(.*)$"
_WEEKDAY = r"^\p{L}{2,10}\.?,?\s+(\d)"
_PIVOT = 69


def with_month_numbers(texts: pl.Series) -> pl.Series:
    """The texts with `12. März 2024` and `Mar 12, 2024` as 2024-3-12, and without a day of the week before a date."""
    if not texts.str.contains(r"\p{L}{2}").any():
        return texts
    number = {word: str(place) for place, words in enumerate(_MONTHS, start=1) for word in words.split("|")}
    text = pl.col("text")
    frame = texts.to_frame("text").select(
        "text", day_first=text.str.extract_groups(_DAY_FIRST), month_first=text.str.extract_groups(_MONTH_FIRST)
    )
    patterns = [
        _iso(pl.col(style).struct, year, month, day, number)
        for style, year, month, day in (("day_first", "3", "2", "1"), ("month_first", "3", "1", "2"))
    ]
    return frame.select(pl.coalesce(*patterns, text.str.replace(_WEEKDAY, "$1"))).to_series()


def _iso(part: pl.expr.struct.ExprStructNameSpace, year: str, month: str, day: str, number: dict[str, str]) -> pl.Expr:
    month_number = part.field(month).str.to_lowercase().replace_strict(number, default=None, return_dtype=pl.String)
    two_digits = part.field(year).cast(pl.Int64)
    century = pl.when(part.field(year).str.len_chars() > 2).then(0).when(two_digits < _PIVOT).then(2000).otherwise(1900)
    return pl.concat_str(
        (two_digits + century).cast(pl.String), pl.lit("-"), month_number, pl.lit("-"), part.field(day), part.field("4")
    )
