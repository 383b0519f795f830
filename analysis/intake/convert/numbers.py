"""Parse numbers in any usual notation and convert them to the unit of the field."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import polars as pl

from analysis.intake.convert.cleaned_text import apply_to_unique, missing_words, recorded_text
from analysis.intake.convert.units import Unit, to_field_unit, unit_for, unit_of_suffix
from analysis.intake.mapping.table_map import TableMap

_SPACES = " \u00a0\u2007\u2009\u202f"
_APOSTROPHES = "'’"
_NUMBER = (
    r"^(?:[€$£]\s*)?([+-]?)\s*([.,]?\d(?:[\d.,"
    + _SPACES
    + _APOSTROPHES
    + r"]*\d)?[.,]?)([eE][+-]?\d+)?\s*([^\d\s].*)?$"
)
"""Groups: sign, digits with their marks, power of ten, suffix."""
_SAMPLE_CELLS = 400


@dataclass(frozen=True)
class NumberFormat:
    """Decimal mark and thousands mark of a file; None and "": found from the cells."""

    decimal: str | None = None
    thousands: str = ""


def parse_readings(cells: pl.Series, canonical: str, source_unit: str | None, table_map: TableMap) -> pl.Series:
    """Each cell in the unit of the field; null if it is empty, not a number, or in a unit of another kind.

    Parameters
    ----------
    cells
        Texts, numbers or durations.
    canonical
        The unit of the field; "" for a plain number.
    source_unit
        The unit of the column given in the map; a unit written in a cell takes precedence.
    table_map
        Gives the decimal mark, the thousands mark and the words for missing values.
    """
    unit = unit_for(source_unit, canonical) if source_unit else None
    if isinstance(cells.dtype, pl.Duration):
        cells, unit = cells.dt.total_milliseconds() / 1000, unit_for("s", canonical) or unit
    if unit is None and (plain := _plain_numbers(cells, table_map)) is not None:
        return plain
    number_format = NumberFormat(table_map.decimal, table_map.thousands)
    text = recorded_text(cells, table_map.missing)
    numbers = apply_to_unique(text, lambda texts: parse_numbers(texts, number_format))
    return _in_field_unit(numbers, canonical, unit or Unit("", canonical, 1))


def parse_numbers(cells: pl.Series, number_format: NumberFormat) -> pl.DataFrame:
    """Parse texts: `number`, how many `decimals` it shows, whether it `ends_in_zero` after the mark, and its `suffix`.

    A mark that can only be decimal is decimal, whatever the format says (2,5 is two and a half). A single mark before
    three digits (1,234) is read as the format says, otherwise as in other cells of the column; if these do not decide,
    a point is decimal and a comma leaves the cell unread.
    """
    groups = pl.col("cell").str.strip_chars().str.replace_all("−", "-").str.extract_groups(_NUMBER).struct
    parts = cells.to_frame("cell").select(
        sign=groups.field("1"), digits=groups.field("2"), power=groups.field("3"), suffix=groups.field("4")
    )
    point, comma = (_with_decimal_point(parts["digits"], mark, number_format.thousands) for mark in (".", ","))
    decimal = number_format.decimal or _decimal_mark_of_column(point, comma)
    if decimal is None:
        has_comma = pl.col("digits").str.contains(",", literal=True)
        digits = pl.coalesce(
            pl.when(~has_comma | pl.col("comma").is_null() | (pl.col("point") == pl.col("comma"))).then("point"),
            pl.when(pl.col("point").is_null()).then("comma"),
        )
    else:
        digits = pl.coalesce("comma", "point") if decimal == "," else pl.coalesce("point", "comma")
    chosen = parts.with_columns(point=point, comma=comma).with_columns(digits=digits)
    number = pl.concat_str("sign", "digits", pl.col("power").fill_null("")).cast(pl.Float64, strict=False)
    return chosen.select(
        number=pl.when(number.is_finite()).then(number),
        decimals=pl.col("digits").str.extract(r"\.(\d*)$").str.len_chars().fill_null(0).cast(pl.Int64),
        ends_in_zero=pl.col("digits").str.contains(r"\.\d*0$").fill_null(False),
        suffix="suffix",
    )


def decimal_mark(cells: pl.DataFrame) -> str:
    """The decimal mark of a file: a comma if more cells are numbers with a decimal comma than with a point."""
    commas = points = 0
    for column in cells.select(pl.col(pl.String)).iter_columns():
        sample = column.drop_nulls().head(_SAMPLE_CELLS).str.strip_chars()
        commas += int(sample.str.contains(r"^[+-]?\d{1,7},\d{1,6}\D{0,4}$").sum())
        points += int(sample.str.contains(r"^[+-]?\d{1,7}\.\d{1,6}\D{0,4}$").sum())
    return "," if commas > points else "."


def _plain_numbers(cells: pl.Series, table_map: TableMap) -> pl.Series | None:
    """The cells cast to numbers; None unless this reads every recorded cell without ambiguity."""
    if cells.dtype == pl.String:
        point_may_be_thousands = table_map.decimal == "," or table_map.thousands == "."
        if point_may_be_thousands and cells.str.contains(".", literal=True).any():
            return None
        if table_map.decimal == ",":
            cells = cells.str.replace(",", ".", literal=True)
    missing_numbers = _missing_numbers(table_map.missing)
    cast = cells.cast(pl.Float64, strict=False).to_frame("n")
    number = cast.select(pl.when(pl.col("n").is_finite()).then("n"))
    unread = cells.filter(number["n"].is_null() & cells.is_not_null())
    if recorded_text(unread, table_map.missing).count():
        return None
    return number.select(pl.when(~pl.col("n").is_in(missing_numbers)).then("n")).to_series()


def _missing_numbers(missing: Iterable[str]) -> list[float]:
    """The map's words for a missing value that are numbers, such as 999."""
    numbers = pl.Series(sorted(missing_words(missing)), dtype=pl.String).cast(pl.Float64, strict=False)
    return numbers.filter(numbers.is_finite()).drop_nulls().to_list()


def _in_field_unit(numbers: pl.DataFrame, canonical: str, default: Unit) -> pl.Series:
    """Convert parsed numbers by the unit written after each, or the default unit."""
    step = 10.0 ** -pl.max_horizontal("decimals", pl.lit(_usual_decimals(numbers)))
    units = _units_of_suffixes(numbers["suffix"].unique().to_list(), canonical, default)
    with_units = numbers.join(units, on="suffix", how="left", maintain_order="left", nulls_equal=True)
    return to_field_unit(with_units.with_columns(step=step))


def _usual_decimals(numbers: pl.DataFrame) -> int:
    """The most common number of decimals; 0 if the column writes its zeros (3.0).

    A workbook drops final zeros: in a column of 2.9, 3.1 and 3.2 a 3 was measured as 3.0.
    """
    parsed = numbers.filter(pl.col("number").is_not_null())
    if parsed.is_empty() or parsed["ends_in_zero"].any():
        return 0
    return min(parsed["decimals"].mode().to_list())


def _units_of_suffixes(suffixes: Iterable[str | None], canonical: str, default: Unit) -> pl.DataFrame:
    """How each suffix is converted; null if it is not a unit of the field's kind."""
    rows = []
    for suffix in suffixes:
        unit = default if suffix is None else unit_of_suffix(suffix, canonical)
        rows.append((suffix, *((unit.factor, unit.offset, unit.between_systems) if unit else (None, None, None))))
    schema = {"suffix": pl.String, "factor": pl.Float64, "offset": pl.Float64, "between_systems": pl.Boolean}
    return pl.DataFrame(rows, schema=schema, orient="row")


def _with_decimal_point(digits: pl.Series, decimal: str, thousands: str) -> pl.Series:
    """The digits with a point for `decimal` and without thousands marks; null if they do not have that form."""
    other = "," if decimal == "." else "."
    marks = [other, *_SPACES, *_APOSTROPHES] if not thousands else _similar_marks(thousands)
    grouped = "|".join(rf"[1-9]\d{{0,2}}(?:{re.escape(mark)}\d{{3}})+" for mark in marks if mark != decimal)
    whole = rf"(?:\d+|{grouped})" if grouped else r"\d+"
    point = re.escape(decimal)
    fits = digits.str.contains(rf"^(?:{whole}(?:{point}\d*)?|{point}\d+)$")
    plain = digits.str.replace_all(f"[^0-9{point}]", "").str.replace(decimal, ".", literal=True)
    return plain.to_frame("plain").select(pl.when(fits).then("plain")).to_series()


def _similar_marks(thousands: str) -> list[str]:
    for marks in (_SPACES, _APOSTROPHES):
        if thousands in marks:
            return list(marks)
    return [thousands]


def _decimal_mark_of_column(point: pl.Series, comma: pl.Series) -> str | None:
    """The decimal mark that some cells require, unless others require the other one."""
    requires_point = (point.is_not_null() & comma.is_null()).any()
    requires_comma = (comma.is_not_null() & point.is_null()).any()
    if requires_point == requires_comma:
        return None
    return "." if requires_point else ","
