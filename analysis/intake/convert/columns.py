"""One file's cells into the log's own fields, types and units; what cannot be read is told, cell by cell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import polars as pl

from analysis.intake.convert.category_levels import (
    LEVEL_FAULT,
    YES_NO_FAULT,
    level_lookup,
    map_categories,
    yes_no_lookup,
)
from analysis.intake.convert.cleaned_text import as_text, recorded_text
from analysis.intake.convert.date_order import column_date_order
from analysis.intake.convert.dates import ParsedDatetimes, parse_datetimes
from analysis.intake.convert.numbers import parse_readings
from analysis.intake.mapping.table_map import FIELDS, TableMap
from analysis.intake.readers.raw_table import ROW, RawTable

FAULTS = {ROW: pl.Int64, "column": pl.String, "heading": pl.String, "rule": pl.String, "value": pl.String}
DATES = ("date", "date or date-time")


@dataclass(frozen=True)
class Converted:
    """A file in the log's own terms.

    `frame` has ROW and every mapped field in its type (`<field>_has_time` beside a moment) and `own.<name>` columns;
    `faults` one row a cell that says something which cannot be read as its field (ROW, column, heading, rule, value
    as it stood); `unmapped` the headings passed over; `cells` the mapped cells as they stood, typed as in the file, in
    the frame's order. A column that reads as it stands is the same in both: it lies in memory once.
    """

    frame: pl.DataFrame
    faults: pl.DataFrame
    unmapped: tuple[str, ...]
    cells: pl.DataFrame


@dataclass(frozen=True)
class Undecided:
    """A column of dates that read either way, and one of them."""

    field: str
    heading: str
    example: str


@dataclass(frozen=True)
class _Target:
    """What a column is to become: a name, a type in words, the field's unit and levels; the heading and its unit."""

    name: str
    heading: str
    type: str
    unit: str
    levels: tuple[str, ...] = ()
    source_unit: str | None = None


@dataclass(frozen=True)
class _Column:
    """One converted column, what stands beside it, and the rule that a cell breaks which is recorded but not read."""

    values: pl.Series
    rule: str = "unreadable"
    extra: tuple[pl.Series, ...] = ()


def convert(raw: RawTable, table_map: TableMap) -> Converted:
    """Read every mapped column of a file.

    Parameters
    ----------
    raw
        The file as it stands.
    table_map
        Its map, headings spelled as they stand there. Dates that read either way and whose order the map leaves open
        are read day first: ask `undecided_dates` before.
    """
    columns, faults, used = [raw.cells.get_column(ROW)], [], set()
    targets = list(_targets(table_map))

    def read_column(target: _Target) -> tuple[list[pl.Series], pl.DataFrame]:
        column = _convert(raw, target, table_map)
        values = _once(column.values, raw.cells.get_column(target.heading)).alias(target.name)
        return [values, *column.extra], _faults(raw, target, column, table_map)

    for target, (values, wrong) in zip(targets, map(read_column, targets), strict=True):
        columns += values
        faults.append(wrong)
        used |= {target.heading, f"{target.heading}_has_time" if target.type in DATES else target.heading}
    return Converted(
        frame=pl.DataFrame(columns),
        faults=pl.concat([pl.DataFrame(schema=FAULTS), *faults]),
        unmapped=tuple(heading for heading in raw.headings if heading not in used),
        cells=pl.DataFrame([raw.cells.get_column(target.heading).alias(target.name) for target in targets]),
    )


def _once(values: pl.Series, cells: pl.Series) -> pl.Series:
    """What was read, as the cells themselves where these say the same."""
    same = values.dtype == cells.dtype and values.null_count() == cells.null_count() and values.equals(cells)
    return cells if same else values


def undecided_dates(raw: RawTable, table_map: TableMap) -> tuple[Undecided, ...]:
    """Date columns whose content does not decide whether the day or the month comes first, where the map is silent."""
    if table_map.date_order is not None:
        return ()
    undecided = []
    for target in _targets(table_map):
        cells = raw.cells.get_column(target.heading)
        if target.type in DATES and cells.dtype == pl.String:
            order = column_date_order(recorded_text(cells, table_map.missing))
            if order.order is None:
                undecided.append(Undecided(target.name, target.heading, order.example or ""))
    return tuple(undecided)


def _targets(table_map: TableMap) -> Iterator[_Target]:
    for column in table_map.columns:
        entry = FIELDS[table_map.table][column.field]
        yield _Target(entry.name, column.heading, entry.type, entry.unit, entry.levels, column.unit)
    for own in table_map.own:
        yield _Target(f"own.{own.name}", own.heading, own.type, own.unit)


def _convert(raw: RawTable, target: _Target, table_map: TableMap) -> _Column:
    cells, missing = raw.cells.get_column(target.heading), table_map.missing
    if target.type in DATES:
        return _dates(raw, target, table_map)
    words = table_map.values.get(target.name, {})
    if target.type == "true/false":
        if cells.dtype == pl.Boolean:
            return _Column(cells)
        return _Column(map_categories(cells, yes_no_lookup(words), missing) == "true", YES_NO_FAULT)
    if target.levels:
        return _Column(map_categories(cells, level_lookup(target.levels, words), missing), LEVEL_FAULT)
    if target.type == "text":
        return _Column(_joined(recorded_text(cells, missing), words))
    number = parse_readings(cells, target.unit, target.source_unit, table_map)
    if target.type != "whole number":
        return _Column(number)
    whole = number.to_frame("n").select(pl.when(pl.col("n") == pl.col("n").round()).then("n"))
    return _Column(whole.to_series().cast(pl.Int64, strict=False))


def _joined(text: pl.Series, spellings: Mapping[str, tuple[str, ...]]) -> pl.Series:
    """Names written in several ways as the one the map gives them, compared sign by sign."""
    if not spellings:
        return text
    return text.replace({word.strip(): name for name, words in spellings.items() for word in words})


def _dates(raw: RawTable, target: _Target, table_map: TableMap) -> _Column:
    cells = raw.cells.get_column(target.heading)
    text = cells if cells.dtype.is_temporal() else recorded_text(cells, table_map.missing)
    parsed = parse_datetimes(text, table_map.date_order)
    if target.type == "date":
        return _Column(parsed.at.dt.date())
    has_time = _time_flag_column(raw, target.heading, parsed)
    return _Column(parsed.at, extra=(has_time.alias(f"{target.name}_has_time"),))


def _time_flag_column(raw: RawTable, heading: str, parsed: ParsedDatetimes) -> pl.Series:
    """Whether the hour was written: as a column beside says (the log's own tables have one), else as it was read."""
    name = f"{heading}_has_time"
    if name not in raw.headings or raw.cells[name].dtype != pl.Boolean:
        return parsed.has_time
    frame = pl.DataFrame({"told": raw.cells[name], "read": parsed.has_time, "at": parsed.at})
    return frame.select(pl.when(pl.col("at").is_not_null()).then(pl.coalesce("told", "read"))).to_series()


def _faults(raw: RawTable, target: _Target, column: _Column, table_map: TableMap) -> pl.DataFrame:
    if not column.values.null_count():
        return pl.DataFrame(schema=FAULTS)
    cells = raw.cells.get_column(target.heading)
    unread = column.values.is_null() & cells.is_not_null()
    if not unread.any():
        return pl.DataFrame(schema=FAULTS)
    reasons = pl.DataFrame({ROW: raw.cells[ROW].filter(unread), "value": as_text(cells.filter(unread))})
    reasons = reasons.filter(recorded_text(reasons["value"], table_map.missing).is_not_null())
    return reasons.select(
        ROW, column=pl.lit(target.name), heading=pl.lit(target.heading), rule=pl.lit(column.rule), value="value"
    )
