"""One file's cells into the log's own fields, types and units; what cannot be read is told, cell by cell."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from analysis.intake.dates import Moments, moments, order_told
from analysis.intake.mapping import FIELDS, ColumnMap, OwnColumn, TableMap
from analysis.intake.raw import ROW, RawTable
from analysis.intake.units import SUFFIXES, Unit, in_canonical, unit_for
from analysis.intake.words import FALSE, TRUE, recorded, squeezed

FAULTS = {ROW: pl.Int64, "column": pl.String, "heading": pl.String, "rule": pl.String, "value": pl.String}
_NUMBER = r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$"


@dataclass(frozen=True)
class Converted:
    """A file in the log's own terms.

    `frame` has ROW and every mapped field in its type (with `<field>_has_time` beside a moment) and `own.<name>`
    columns; `faults` one row a cell that says something which cannot be read as its field (ROW, column, heading, rule,
    value as it stood); `unmapped` the headings passed over; `texts` the mapped cells as they stood, in the same order.
    """

    frame: pl.DataFrame
    faults: pl.DataFrame
    unmapped: tuple[str, ...]
    texts: pl.DataFrame


@dataclass(frozen=True)
class _Field:
    """A target: its name, type in words, unit and levels."""

    name: str
    type: str
    unit: str
    levels: tuple[str, ...]


@dataclass(frozen=True)
class _Column:
    """One converted column: its values by name, and the rule that a cell breaks which is recorded but not read."""

    values: tuple[pl.Series, ...]
    rule: str


def converted(raw: RawTable, table_map: TableMap) -> Converted:
    """Read every mapped column of a file.

    Parameters
    ----------
    raw
        The file as it stands.
    table_map
        Its map, headings spelled as they stand there.
    """
    columns, faults = [raw.cells.get_column(ROW)], []
    targets = list(_targets(table_map))
    for target, heading, unit in targets:
        cells = raw.cells.get_column(heading)
        column = _converted(cells, target, unit, table_map)
        columns.extend(column.values)
        faults.append(_faults(raw, heading, target.name, column, table_map.missing))
    used = {heading for _, heading, _ in targets}
    texts = raw.cells.select(pl.col(heading).cast(pl.String).alias(t.name) for t, heading, _ in targets)
    return Converted(
        frame=pl.DataFrame(columns),
        faults=pl.concat(faults) if faults else pl.DataFrame(schema=FAULTS),
        unmapped=tuple(heading for heading in raw.headings if heading not in used),
        texts=texts,
    )


@dataclass(frozen=True)
class Undecided:
    """A column of dates that read either way, and one of them."""

    field: str
    heading: str
    example: str


def undecided_dates(raw: RawTable, table_map: TableMap) -> tuple[Undecided, ...]:
    """Date columns whose content does not decide whether the day or the month comes first, where the map is silent."""
    if table_map.date_order is not None:
        return ()
    found = []
    for target, heading, _ in _targets(table_map):
        cells = raw.cells.get_column(heading)
        if target.type in ("date", "date or date-time") and cells.dtype == pl.String:
            told = order_told(_recorded(cells, table_map.missing))
            if told.order is None:
                found.append(Undecided(target.name, heading, told.example or ""))
    return tuple(found)


def _targets(table_map: TableMap) -> Iterator[tuple[_Field, str, Unit | None]]:
    column: ColumnMap | OwnColumn
    for column in table_map.columns:
        entry = FIELDS[table_map.table][column.field]
        unit = unit_for(column.unit, entry.unit) if column.unit else None
        yield _Field(entry.name, entry.type, entry.unit, entry.levels), column.heading, unit
    for column in table_map.own:
        yield _Field(f"own.{column.name}", column.type, column.unit, ()), column.heading, None


def _converted(cells: pl.Series, target: _Field, unit: Unit | None, table_map: TableMap) -> _Column:
    if target.type in ("date", "date or date-time"):
        return _dates(cells, target, table_map)
    if target.type == "true/false":
        return _Column((_worded(cells, target.name, _yes_no(target, table_map), table_map),), "unreadable")
    if target.levels:
        return _Column((_worded(cells, target.name, _levels(target, table_map), table_map),), "unknown_level")
    if target.type == "text":
        return _Column((_recorded(cells, table_map.missing).alias(target.name),), "unreadable")
    return _Column((_numbers(cells, target, unit, table_map),), "unreadable")


def _recorded(cells: pl.Series, missing: tuple[str, ...]) -> pl.Series:
    return pl.select(recorded(pl.lit(cells.cast(pl.String)), missing)).to_series()


def _numbers(cells: pl.Series, target: _Field, unit: Unit | None, table_map: TableMap) -> pl.Series:
    whole = target.type == "whole number"
    if cells.dtype.is_numeric() and unit is None and not table_map.missing:
        number = cells.cast(pl.Float64)
        values = pl.select(pl.when(pl.lit(number).is_finite()).then(pl.lit(number))).to_series()
    else:
        values = _read_numbers(_recorded(cells, table_map.missing), unit, table_map)
    if not whole:
        return values.alias(target.name)
    kept = pl.select(pl.when(pl.lit(values) == pl.lit(values).round()).then(pl.lit(values))).to_series()
    return kept.cast(pl.Int64, strict=False).alias(target.name)


def _read_numbers(text: pl.Series, unit: Unit | None, table_map: TableMap) -> pl.Series:
    cell = pl.col("cell")
    frame = pl.DataFrame({"cell": text})
    plain = cell.str.replace_all(r"(\d)[\s\u00a0\u202f'’](\d{3})", "$1$2").str.replace_all("−", "-")
    if table_map.thousands:
        plain = plain.str.replace_all(table_map.thousands, "", literal=True)
    if table_map.decimal == ",":
        grouped = plain.str.contains(r"^[+-]?\d{1,3}(?:\.\d{3})+(?:,\d+)?\D*$")
        plain = pl.when(grouped).then(plain.str.replace_all(".", "", literal=True)).otherwise(plain)
        plain = plain.str.replace(",", ".", literal=True)
    bare = frame.lazy().select(cell=plain)
    bare = bare.select(cell=pl.when(cell.str.contains(_NUMBER)).then(cell).otherwise(cell.str.replace(SUFFIXES, "")))
    number = pl.when(cell.str.contains(_NUMBER)).then(cell.cast(pl.Float64, strict=False))
    decimals = cell.str.extract(r"\.(\d*)", 1).str.len_chars().fill_null(0)
    value = number if unit is None else in_canonical(number, decimals, unit)
    read = bare.select(value=value).select(value=pl.when(pl.col("value").is_finite()).then("value"))
    return read.collect().to_series()


def _worded(cells: pl.Series, name: str, words: dict[str, str | bool], table_map: TableMap) -> pl.Series:
    """Levels by their words, looked up once for each distinct cell."""
    kind = pl.Boolean if all(isinstance(value, bool) for value in words.values()) else pl.String
    if cells.dtype == pl.Boolean:
        return cells.alias(name) if kind == pl.Boolean else cells.cast(pl.String).alias(name)
    text = _recorded(cells, table_map.missing)
    distinct = text.drop_nulls().unique().to_list()
    known = {word: words[key] for word in distinct if (key := _key(word)) in words}
    return text.replace_strict(known, default=None, return_dtype=kind).alias(name)


def _key(word: str) -> str:
    """2.0 and 2 are the same word, as are DOT 5.1 and dot5.1."""
    return squeezed(word[:-2] if word in ("0.0", "1.0") else word)


def _yes_no(target: _Field, table_map: TableMap) -> dict[str, str | bool]:
    words: dict[str, str | bool] = dict.fromkeys(TRUE, True) | dict.fromkeys(FALSE, False)
    for level, foreign in table_map.values.get(target.name, {}).items():
        words |= {squeezed(word): level == "true" for word in foreign}
    return words


def _levels(target: _Field, table_map: TableMap) -> dict[str, str | bool]:
    words: dict[str, str | bool] = {squeezed(level): level for level in target.levels}
    for level, foreign in table_map.values.get(target.name, {}).items():
        words |= {squeezed(word): level for word in foreign}
    return words


def _dates(cells: pl.Series, target: _Field, table_map: TableMap) -> _Column:
    if isinstance(cells.dtype, pl.Datetime):
        wall = cells.dt.replace_time_zone(None).dt.cast_time_unit("us")
        found = Moments(wall, pl.select(pl.when(pl.lit(wall).is_not_null()).then(True)).to_series())
    elif cells.dtype == pl.Date:
        at = cells.cast(pl.Datetime("us"))
        found = Moments(at, pl.select(pl.when(pl.lit(at).is_not_null()).then(False)).to_series())
    else:
        found = moments(_recorded(cells, table_map.missing), table_map.date_order)  # type: ignore[arg-type]
    if target.type == "date":
        return _Column((found.at.dt.date().alias(target.name),), "unreadable")
    return _Column((found.at.alias(target.name), found.has_time.alias(f"{target.name}_has_time")), "unreadable")


def _faults(raw: RawTable, heading: str, name: str, column: _Column, missing: tuple[str, ...]) -> pl.DataFrame:
    unread = column.values[0].is_null()
    if not unread.any():
        return pl.DataFrame(schema=FAULTS)
    told = raw.cells.select(ROW, value=pl.col(heading).cast(pl.String)).filter(unread)
    told = told.filter(recorded(pl.col("value"), missing).is_not_null())
    return told.select(ROW, column=pl.lit(name), heading=pl.lit(heading), rule=pl.lit(column.rule), value="value")
