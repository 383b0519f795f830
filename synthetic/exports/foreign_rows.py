"""Convert a table of the log to the values, units, numbers and dates of an export format."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from synthetic.exports.export_format import ExportColumn, ExportFormat, ExportSheet

Cell = str | int | float | dt.datetime | dt.date | None


@dataclass(frozen=True)
class Flaw:
    """A flaw of a row: column of the log, rule broken, value as written, and the expected action."""

    column: str
    rule: str
    value: str
    action: str


@dataclass(frozen=True)
class Row:
    """One row of an export; `year` is the year it belongs to (0: any)."""

    cells: tuple[Cell, ...]
    year: int = 0
    flaws: tuple[Flaw, ...] = field(default=())


def foreign_rows(
    table: pl.DataFrame, sheet: ExportSheet, export_format: ExportFormat, rng: np.random.Generator
) -> list[Row]:
    """The rows of the table in the columns of this sheet; columns that the table lacks are empty."""
    typed = export_format.typed and export_format.kind(sheet) != "text"
    cells = [_foreign_cells(table, column, export_format, typed, rng) for column in sheet.columns]
    years = table["started_at"].dt.year().to_list() if "started_at" in table.columns else [0] * table.height
    return [Row(row, year) for row, year in zip(zip(*cells, strict=True), years, strict=True)]


def number(value: float, column: ExportColumn, export_format: ExportFormat, typed: bool) -> Cell:
    """A number in the unit of this column, written in this format."""
    foreign = column.foreign(value)
    whole = int(foreign) if foreign == int(foreign) else foreign
    return whole if typed else f"{whole}".replace(".", export_format.decimal)


def _foreign_cells(
    table: pl.DataFrame, column: ExportColumn, export_format: ExportFormat, typed: bool, rng: np.random.Generator
) -> list[Cell]:
    if column.field not in table.columns:
        return [None] * table.height
    values = table[column.field]
    if values.dtype.is_temporal():
        return _foreign_dates(values, export_format, typed, rng)
    if values.dtype == pl.Boolean:
        yes: Cell = 1 if typed and export_format.yes == "1" else export_format.yes
        no: Cell = 0 if typed and export_format.no == "0" else export_format.no
        return [None if v is None else yes if v else no for v in values]
    if values.dtype.is_numeric():
        return [None if v is None else number(v, column, export_format, typed) for v in values]
    words = export_format.levels.get(column.field, {})
    return [None if v is None else words.get(v, v) for v in values]


def _foreign_dates(values: pl.Series, export_format: ExportFormat, typed: bool, rng: np.random.Generator) -> list[Cell]:
    style = export_format.moment if values.dtype == pl.Datetime else export_format.day
    as_text = rng.random(len(values)) < (export_format.text_dates_share if typed else 1.0)
    return [None if v is None else v.strftime(style) if t else v for v, t in zip(values, as_text, strict=True)]
