"""Convert the cells of a file into the log's fields, types and units, and list every cell that cannot be read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import polars as pl

from analysis.intake.convert.cleaned_text import (
    LEVEL_FAULT,
    SCOPE_FAULT,
    YES_NO_FAULT,
    as_text,
    level_lookup,
    map_categories,
    recorded_text,
    yes_no_lookup,
)
from analysis.intake.convert.dates import ParsedDatetimes, column_date_order, parse_datetimes
from analysis.intake.convert.numbers import parse_readings
from analysis.intake.mapping.table_map import FIELDS, TableMap
from analysis.intake.propose.vocabulary import is_out_of_scope
from analysis.intake.readers.raw_table import ROW, RawTable

FAULTS = {ROW: pl.Int64, "column": pl.String, "heading": pl.String, "rule": pl.String, "value": pl.String}
_NO_FAULTS = pl.DataFrame(schema=FAULTS)
_DATES = ("date", "date or date-time")


@dataclass(frozen=True)
class ConvertedTable:
    """A file in the fields of the log.

    Parameters
    ----------
    frame
        ROW, every mapped field in its type (`<field>_has_time` with a date-time), and `own.<name>` columns.
    faults
        One row for each cell that cannot be read as its field: ROW, column, heading, rule, and the value in the file.
    unmapped
        The headings that are not read.
    cells
        The mapped cells as in the file, under the names of the fields.
    """

    frame: pl.DataFrame
    faults: pl.DataFrame
    unmapped: tuple[str, ...]
    cells: pl.DataFrame


@dataclass(frozen=True)
class AmbiguousDates:
    """A column of dates that can be day-first or month-first, and one of its dates."""

    field: str
    heading: str
    example: str


@dataclass(frozen=True)
class _Target:
    """What a column becomes: name, type, unit and levels of the field; heading and unit in the file."""

    name: str
    heading: str
    type: str
    unit: str
    levels: tuple[str, ...] = ()
    source_unit: str | None = None


@dataclass(frozen=True)
class _ConvertedColumn:
    """One converted column, further columns for it, and the rule broken by a cell that cannot be read."""

    values: pl.Series
    rule: str = "unreadable"
    more: tuple[pl.Series, ...] = ()


def convert(raw: RawTable, table_map: TableMap) -> ConvertedTable:
    """Convert every mapped column of a file.

    Parameters
    ----------
    table_map
        Its headings are spelled as in the file. If it gives no date order and the dates are ambiguous, they are read
        day first: check `ambiguous_dates` before.
    """
    columns, faults, used = [raw.cells.get_column(ROW)], [_NO_FAULTS], set()
    targets = list(_list_targets(table_map))
    for target in targets:
        column = _convert_column(raw, target, table_map)
        columns += [column.values.alias(target.name), *column.more]
        faults.append(_unreadable_cells(raw, target, column, table_map))
        used |= {target.heading, f"{target.heading}_has_time" if target.type in _DATES else target.heading}
    return ConvertedTable(
        frame=pl.DataFrame(columns),
        faults=pl.concat(faults),
        unmapped=tuple(heading for heading in raw.headings if heading not in used),
        cells=pl.DataFrame([raw.cells.get_column(target.heading).alias(target.name) for target in targets]),
    )


def ambiguous_dates(raw: RawTable, table_map: TableMap) -> tuple[AmbiguousDates, ...]:
    """Date columns that can be day-first or month-first, if the map gives no date order."""
    if table_map.date_order is not None:
        return ()
    ambiguous = []
    for target in _list_targets(table_map):
        cells = raw.cells.get_column(target.heading)
        if target.type in _DATES and cells.dtype == pl.String:
            order = column_date_order(recorded_text(cells, table_map.missing))
            if order.order is None:
                ambiguous.append(AmbiguousDates(target.name, target.heading, order.example or ""))
    return tuple(ambiguous)


def _list_targets(table_map: TableMap) -> Iterator[_Target]:
    for column in table_map.columns:
        entry = FIELDS[table_map.table][column.field]
        yield _Target(entry.name, column.heading, entry.type, entry.unit, entry.levels, column.unit)
    for own in table_map.own:
        yield _Target(f"own.{own.name}", own.heading, own.type, own.unit)


def _convert_column(raw: RawTable, target: _Target, table_map: TableMap) -> _ConvertedColumn:
    cells, missing = raw.cells.get_column(target.heading), table_map.missing
    if target.type in _DATES:
        return _convert_dates(raw, target, table_map)
    words = table_map.values.get(target.name, {})
    if target.type == "true/false":
        if cells.dtype == pl.Boolean:
            return _ConvertedColumn(cells)
        return _ConvertedColumn(map_categories(cells, yes_no_lookup(words), missing) == "true", YES_NO_FAULT)
    if target.levels:
        return _ConvertedColumn(map_categories(cells, level_lookup(target.levels, words), missing), LEVEL_FAULT)
    if target.type == "text":
        return _ConvertedColumn(_unify_spellings(recorded_text(cells, missing), words))
    number = parse_readings(cells, target.unit, target.source_unit, table_map)
    if target.type != "whole number":
        return _ConvertedColumn(number)
    whole = number.to_frame("n").select(pl.when(pl.col("n") == pl.col("n").round()).then("n"))
    return _ConvertedColumn(whole.to_series().cast(pl.Int64, strict=False))


def _unify_spellings(text: pl.Series, spellings: Mapping[str, tuple[str, ...]]) -> pl.Series:
    """Replace the spellings listed in the map by the name they stand for, compared exactly."""
    names = {word.strip(): name for name, words in spellings.items() for word in words}
    return text.replace(names) if names else text


def _convert_dates(raw: RawTable, target: _Target, table_map: TableMap) -> _ConvertedColumn:
    cells = raw.cells.get_column(target.heading)
    text = cells if cells.dtype.is_temporal() else recorded_text(cells, table_map.missing)
    parsed = parse_datetimes(text, table_map.date_order)
    if target.type == "date":
        return _ConvertedColumn(parsed.local_time.dt.date())
    has_time = _has_time(raw, target.heading, parsed)
    return _ConvertedColumn(parsed.local_time, more=(has_time.alias(f"{target.name}_has_time"),))


def _has_time(raw: RawTable, heading: str, parsed: ParsedDatetimes) -> pl.Series:
    """Whether a time of day was recorded: from the column `<heading>_has_time` of the log's own tables, else as parsed."""
    name = f"{heading}_has_time"
    if name not in raw.headings or raw.cells[name].dtype != pl.Boolean:
        return parsed.has_time
    frame = pl.DataFrame({"recorded": raw.cells[name], "parsed": parsed.has_time, "local_time": parsed.local_time})
    has_time = pl.when(pl.col("local_time").is_not_null()).then(pl.coalesce("recorded", "parsed"))
    return frame.select(has_time).to_series()


def _unreadable_cells(raw: RawTable, target: _Target, column: _ConvertedColumn, table_map: TableMap) -> pl.DataFrame:
    if not column.values.null_count():
        return _NO_FAULTS
    cells = {ROW: raw.cells.get_column(ROW), "value": raw.cells.get_column(target.heading), "read": column.values}
    unread = pl.DataFrame(cells).filter(pl.col("value").is_not_null() & pl.col("read").is_null())
    faults = unread.select(ROW, as_text(unread.get_column("value")))
    faults = faults.filter(recorded_text(faults.get_column("value"), table_map.missing).is_not_null())
    rule = pl.lit(column.rule)
    if target.name == "brake":
        outside = [word for word in faults.get_column("value").unique().to_list() if is_out_of_scope(word)]
        rule = pl.when(pl.col("value").is_in(outside)).then(pl.lit(SCOPE_FAULT)).otherwise(rule)
    return faults.select(ROW, column=pl.lit(target.name), heading=pl.lit(target.heading), rule=rule, value="value")
