"""One file's cells into the log's own fields, types and units; what cannot be read is told, cell by cell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import polars as pl

from analysis.intake.dates import Moments, moments
from analysis.intake.day_order import order_told
from analysis.intake.levels import LEVEL_FAULT, YES_NO_FAULT, level_words, worded, yes_no_words
from analysis.intake.raw import ROW, RawTable
from analysis.intake.readings import readings
from analysis.intake.table_map import FIELDS, TableMap
from analysis.intake.words import as_text, recorded

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
    written_in: str | None = None


@dataclass(frozen=True)
class _Column:
    """One converted column, what stands beside it, and the rule that a cell breaks which is recorded but not read."""

    values: pl.Series
    rule: str = "unreadable"
    beside: tuple[pl.Series, ...] = ()


def converted(raw: RawTable, table_map: TableMap) -> Converted:
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

    def read(target: _Target) -> tuple[list[pl.Series], pl.DataFrame]:
        column = _converted(raw, target, table_map)
        values = _once(column.values, raw.cells.get_column(target.heading)).alias(target.name)
        return [values, *column.beside], _faults(raw, target, column, table_map)

    for target, (values, wrong) in zip(targets, map(read, targets), strict=True):
        columns += values
        faults.append(wrong)
        used |= {target.heading, f"{target.heading}_has_time" if target.type in DATES else target.heading}
    return Converted(
        frame=pl.DataFrame(columns),
        faults=pl.concat([pl.DataFrame(schema=FAULTS), *faults]),
        unmapped=tuple(heading for heading in raw.headings if heading not in used),
        cells=pl.DataFrame([raw.cells.get_column(target.heading).alias(target.name) for target in targets]),
    )


def _once(read: pl.Series, cells: pl.Series) -> pl.Series:
    """What was read, as the cells themselves where these say the same."""
    same = read.dtype == cells.dtype and read.null_count() == cells.null_count() and read.equals(cells)
    return cells if same else read


def undecided_dates(raw: RawTable, table_map: TableMap) -> tuple[Undecided, ...]:
    """Date columns whose content does not decide whether the day or the month comes first, where the map is silent."""
    if table_map.date_order is not None:
        return ()
    found = []
    for target in _targets(table_map):
        cells = raw.cells.get_column(target.heading)
        if target.type in DATES and cells.dtype == pl.String:
            told = order_told(recorded(cells, table_map.missing))
            if told.order is None:
                found.append(Undecided(target.name, target.heading, told.example or ""))
    return tuple(found)


def _targets(table_map: TableMap) -> Iterator[_Target]:
    for column in table_map.columns:
        entry = FIELDS[table_map.table][column.field]
        yield _Target(entry.name, column.heading, entry.type, entry.unit, entry.levels, column.unit)
    for own in table_map.own:
        yield _Target(f"own.{own.name}", own.heading, own.type, own.unit)


def _converted(raw: RawTable, target: _Target, table_map: TableMap) -> _Column:
    cells, missing = raw.cells.get_column(target.heading), table_map.missing
    if target.type in DATES:
        return _dates(raw, target, table_map)
    words = table_map.values.get(target.name, {})
    if target.type == "true/false":
        if cells.dtype == pl.Boolean:
            return _Column(cells)
        return _Column(worded(cells, yes_no_words(words), missing) == "true", YES_NO_FAULT)
    if target.levels:
        return _Column(worded(cells, level_words(target.levels, words), missing), LEVEL_FAULT)
    if target.type == "text":
        return _Column(_joined(recorded(cells, missing), words))
    number = readings(cells, target.unit, target.written_in, table_map)
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
    text = cells if cells.dtype.is_temporal() else recorded(cells, table_map.missing)
    found = moments(text, table_map.date_order)
    if target.type == "date":
        return _Column(found.at.dt.date())
    told = _told_beside(raw, target.heading, found)
    return _Column(found.at, beside=(told.alias(f"{target.name}_has_time"),))


def _told_beside(raw: RawTable, heading: str, found: Moments) -> pl.Series:
    """Whether the hour was written: as a column beside says (the log's own tables have one), else as it was read."""
    name = f"{heading}_has_time"
    if name not in raw.headings or raw.cells[name].dtype != pl.Boolean:
        return found.has_time
    frame = pl.DataFrame({"told": raw.cells[name], "read": found.has_time, "at": found.at})
    return frame.select(pl.when(pl.col("at").is_not_null()).then(pl.coalesce("told", "read"))).to_series()


def _faults(raw: RawTable, target: _Target, column: _Column, table_map: TableMap) -> pl.DataFrame:
    if not column.values.null_count():
        return pl.DataFrame(schema=FAULTS)
    cells = raw.cells.get_column(target.heading)
    unread = column.values.is_null() & cells.is_not_null()
    if not unread.any():
        return pl.DataFrame(schema=FAULTS)
    told = pl.DataFrame({ROW: raw.cells[ROW].filter(unread), "value": as_text(cells.filter(unread))})
    told = told.filter(recorded(told["value"], table_map.missing).is_not_null())
    return told.select(
        ROW, column=pl.lit(target.name), heading=pl.lit(target.heading), rule=pl.lit(column.rule), value="value"
    )
