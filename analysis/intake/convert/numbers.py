"""A column of numbers into the field's own unit, whatever unit and marks it was written with."""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from analysis.intake.convert.cleaned_text import apply_to_unique, missing_words, recorded_text
from analysis.intake.convert.parse_numbers import NumberFormat, parse_numbers
from analysis.intake.convert.units import Unit, to_field_unit, unit_for, unit_of_suffix
from analysis.intake.mapping.table_map import TableMap


def parse_readings(cells: pl.Series, canonical: str, source_unit: str | None, table_map: TableMap) -> pl.Series:
    """Every cell as a number in the field's own unit; null where it is empty, no number, or in a unit of another kind.

    Parameters
    ----------
    cells
        Texts or numbers as they stand.
    canonical
        The field's own unit as the schema spells it; "" for a plain number.
    source_unit
        The map's unit of the column; a unit written in the cell wins over it.
    table_map
        Decimal mark, thousands mark and words for *not recorded*.
    """
    unit = unit_for(source_unit, canonical) if source_unit else None
    if isinstance(cells.dtype, pl.Duration):
        cells, unit = cells.dt.total_milliseconds() / 1000, unit_for("s", canonical) or unit
    if unit is None and (direct := _plain_cast(cells, table_map)) is not None:
        return direct
    text, marks = recorded_text(cells, table_map.missing), NumberFormat(table_map.decimal, table_map.thousands)
    return apply_to_unique(text, lambda texts: _in_unit(parse_numbers(texts, marks), canonical, unit).to_frame("n"))[
        "n"
    ]


def _plain_cast(cells: pl.Series, table_map: TableMap) -> pl.Series | None:
    """The cells as numbers by a plain cast; None unless every cell that is recorded is read so, beyond doubt."""
    if cells.dtype == pl.String and table_map.decimal == ",":
        if cells.str.contains(".", literal=True).any():
            return None
        cells = cells.str.replace(",", ".", literal=True)
    number = cells.cast(pl.Float64, strict=False)
    number = number.to_frame("n").select(pl.when(pl.col("n").is_finite()).then("n")).to_series()
    unread = cells.filter(number.is_null() & cells.is_not_null())
    if len(recorded_text(unread, table_map.missing).drop_nulls()) or _may_have_thousands(cells, table_map):
        return None
    missing_numbers = _numbers_for_missing(table_map.missing)
    return (
        number.to_frame("n").select(pl.when(~pl.col("n").is_in(missing_numbers)).then("n")).to_series()
        if missing_numbers
        else number
    )


def _may_have_thousands(cells: pl.Series, table_map: TableMap) -> bool:
    """Whether a point may be a thousands mark here."""
    return cells.dtype == pl.String and table_map.thousands == "." and bool(cells.str.contains(".", literal=True).any())


def _numbers_for_missing(missing: Iterable[str]) -> list[float]:
    """The map's words for *not recorded* that are numbers, such as 999."""
    cast = pl.Series(sorted(missing_words(missing)), dtype=pl.String).cast(pl.Float64, strict=False)
    return cast.filter(cast.is_finite()).drop_nulls().to_list()


def _in_unit(numbers: pl.DataFrame, canonical: str, unit: Unit | None) -> pl.Series:
    step = 10.0 ** -pl.max_horizontal("decimals", pl.lit(_usual_decimals(numbers)))
    units = _units_of(numbers["suffix"].unique().to_list(), canonical, unit or Unit("", canonical, 1))
    with_units = numbers.join(units, on="suffix", how="left", maintain_order="left", nulls_equal=True).with_columns(
        step=step
    )
    return to_field_unit(with_units)


def _usual_decimals(numbers: pl.DataFrame) -> int:
    """How many decimals a column means where it shows fewer: 0 if it writes its zeros (3.0), else the commonest number.

    A workbook drops zeros: in a column of 2.9, 3.1 and 3.2 a 3 was measured as 3.0.
    """
    known = numbers.filter(pl.col("number").is_not_null())
    if known.is_empty() or known["ends_in_zero"].any():
        return 0
    return int(known["decimals"].mode().min())  # type: ignore[arg-type]


def _units_of(suffixes: Iterable[str | None], canonical: str, default: Unit) -> pl.DataFrame:
    """What each suffix found converts by; empty for one that is no unit of the field's kind."""
    rows = []
    for suffix in suffixes:
        unit = default if suffix is None else unit_of_suffix(suffix, canonical)
        rows.append((suffix, *((unit.factor, unit.offset, unit.between_systems) if unit else (None, None, None))))
    schema = {"suffix": pl.String, "factor": pl.Float64, "offset": pl.Float64, "between_systems": pl.Boolean}
    return pl.DataFrame(rows, schema=schema, orient="row")
