"""Parse numbers in any usual notation and convert them to the unit of the field, rounded to the precision written.

Within one system of units (mm, cm, m; ml; N·m; °C; s, min, h; fraction, percent) the conversion is exact. From inches,
fluid ounces, inch-pounds and °F the converted value is rounded. Let the step be the last decimal place written, and D
the largest power of ten that is not coarser than the step. The value becomes the nearest multiple of 10·D if that would
have been written the same way, else of 5·D if that would, else of D. So 10.6 in-lb (a step of 0.1 in-lb is 0.011 N·m, D
is 0.01) is 1.2 N·m, 3.0 in is 75 mm, and 10.5 in-lb is 1.19 N·m. A limit in round numbers is therefore met exactly if
the reading is equal to or better than the limit as written in the other unit.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import polars as pl

from analysis.intake.convert.cleaned_text import apply_to_unique, recorded_text, words_for_missing_value
from analysis.intake.mapping.table_map import TableMap

INCH_MM = 25.4
FLUID_OUNCE_ML = 29.5735295625
INCH_POUND_NM = 0.1129848290276167
_SPELLINGS = {
    "mm": "mm millimeter millimetre millimètre milimetro millimetri",
    "cm": "cm centimeter centimetre zentimeter centimetro",
    "m": "m meter metre mètre metro",
    "in": "in inch inches zoll pouce pouces pulgada pulgadas pollici pollice duim \" ″ ” ''",
    "ml": "ml cc ccm cm3 cm³ milliliter millilitre",
    "fl_oz": "floz oz usfloz fluidounce fluidounces ounces",
    "nm": "nm newtonmeter newtonmetre",
    "in_lb": "inlb inlbs inlbf lbin lbsin lbfin inchpounds inchpound",
    "c": "c degc celsius",
    "f": "f degf fahrenheit",
    "fraction": "",
    "percent": "% percent pct prozent",
    "s": "s sec secs second seconds sek sekunden",
    "min": "min mins minute minutes minuten minuti minutos ' ′",
    "h": "h hr hrs hour hours std stunden heures uur ore horas",
}
_MONEY = frozenset({"€", "$", "£", "eur", "usd", "gbp", "chf", "kr", "fr", "euro", "euros"})
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
class Unit:
    """A unit named in a cell or a map, and its conversion to the unit of the field: canonical = x · factor + offset.

    `between_systems`: the conversion is rounded to the precision in which the value was written.
    """

    name: str
    canonical: str
    factor: float
    offset: float = 0.0
    between_systems: bool = False


_UNITS = (
    Unit("mm", "mm", 1),
    Unit("cm", "mm", 10),
    Unit("m", "mm", 1000),
    Unit("in", "mm", INCH_MM, between_systems=True),
    Unit("ml", "ml", 1),
    Unit("fl_oz", "ml", FLUID_OUNCE_ML, between_systems=True),
    Unit("nm", "N·m", 1),
    Unit("in_lb", "N·m", INCH_POUND_NM, between_systems=True),
    Unit("c", "°C", 1),
    Unit("f", "°C", 5 / 9, -160 / 9, between_systems=True),
    Unit("fraction", "fraction", 1),
    Unit("percent", "fraction", 0.01),
    Unit("s", "min", 1 / 60),
    Unit("min", "min", 1),
    Unit("h", "min", 60),
    Unit("s", "s", 1),
    Unit("min", "s", 60),
    Unit("h", "s", 3600),
)
UNIT_NAMES: tuple[str, ...] = tuple(dict.fromkeys(unit.name for unit in _UNITS))
_UNIT_OF_SPELLING = {spelling: unit for unit, words in _SPELLINGS.items() for spelling in words.split()}


def unit_for(name: str, canonical: str) -> Unit | None:
    """The unit of that name for a field in the canonical unit; None if it cannot be converted."""
    return next((unit for unit in _UNITS if unit.name == name and unit.canonical == canonical), None)


def unit_name_in_map(text: str) -> str | None:
    """The name in the map of the unit a text spells out; None if it is not a unit."""
    return _UNIT_OF_SPELLING.get(_strip_punctuation(text))


def unit_of_suffix(suffix: str, canonical: str) -> Unit | None:
    """The unit written after a number, such as `in-lb` for N·m or `"` for mm; None if it is not of the field's kind."""
    spelling = _strip_punctuation(suffix)
    if canonical == "currency":
        return Unit(spelling, canonical, 1) if spelling in _MONEY else None
    return unit_for(_UNIT_OF_SPELLING.get(spelling, ""), canonical)


def _strip_punctuation(text: str) -> str:
    return re.sub(r"[\s.·⋅*°_-]", "", text.casefold())


def to_field_unit(numbers: pl.DataFrame) -> pl.Series:
    """Readings in the unit of the field.

    `numbers` has `number` and `step` (the last decimal place written) in the source unit, and the unit's `factor`,
    `offset` and `between_systems`.
    """
    value = pl.col("number") * pl.col("factor") + pl.col("offset")
    step = pl.col("step") * pl.col("factor")
    power_of_ten = 10.0 ** (step.log10() + 1e-9).floor()
    exact = value.round_sig_figs(12)

    def round_to(multiple: float) -> pl.Expr:
        grid = power_of_ten * multiple
        return (value / grid).round() * grid

    rounded = round_to(1)
    for multiple in (5, 10):
        written_the_same = (round_to(multiple) - value).abs() < step / 2
        rounded = pl.when(written_the_same).then(round_to(multiple)).otherwise(rounded)
    converted = pl.when(pl.col("between_systems")).then(rounded.round_sig_figs(12)).otherwise(exact)
    return numbers.select(value=converted).to_series()


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
    numbers = pl.Series(sorted(words_for_missing_value(missing)), dtype=pl.String).cast(pl.Float64, strict=False)
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
