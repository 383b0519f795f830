"""Match every file to a table of the log and convert its cells as the map says; returns written in the row of a bleed."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

import polars as pl

from analysis.errors import UserError
from analysis.intake.convert.cleaned_text import map_categories, normalise, recorded_text, yes_no_lookup
from analysis.intake.convert.columns import ambiguous_dates, convert
from analysis.intake.deduplicate import ROW_INDEX, DeduplicatedTable, MappedTable
from analysis.intake.mapping.table_map import (
    RETURN_COSTS,
    AbsentHeading,
    ExportMap,
    OwnColumn,
    TableMap,
    TableMatch,
    match_table,
    sections_in_rows,
    unused_sections,
)
from analysis.intake.readers.raw_table import ROW, RawTable, RawTables, heading_as_written, unparsed_rows
from analysis.intake.rejections import REASON_COLUMNS, restore_formulas

_MAX_HEADING = 60
_MAX_LETTERS = 60
"""Characters shown of a heading."""
_MAX_HEADINGS = 12
"""Headings listed in one warning."""


def matches_in_rows(raw: RawTable, bleeds: TableMap, mapping: ExportMap | None) -> Iterator[TableMatch]:
    """Sections of the map for returns in the rows of a table of bleeds, read as that table is; each column once.

    Raises
    ------
    UserError
        Such a section has no column that is not one of the bleed as well.
    """
    used: set[tuple[str, ...]] = set()
    for match in sections_in_rows(raw, mapping):
        section = match.table_map
        if section is None or (headings := return_headings(section, bleeds)) in used:
            continue
        if mapping and not headings:
            raise UserError(
                f"{mapping.file}, [{section.table}]",
                f"in_bleed_rows is true, but every heading is also one of [{bleeds.table}]",
                "the heading of the column in which a return is written",
                "add it under columns, for example complaint",
            )
        used.add(headings)
        section = replace(
            section,
            decimal=section.decimal or bleeds.decimal,
            thousands=section.thousands or bleeds.thousands,
            date_order=section.date_order or bleeds.date_order,
            missing=(*section.missing, *bleeds.missing),
        )
        yield replace(match, table_map=section)


def return_headings(section: TableMap, bleeds: TableMap) -> tuple[str, ...]:
    """The headings in which the returns are written: those that are not of the bleed too."""
    return tuple(heading for heading in section.headings if heading not in bleeds.headings)


def returns_part(raw: RawTable, section: TableMap, bleeds: TableMap) -> MappedTable | None:
    """The rows of a file that have a return, under a name of their own; None if nothing was ever recorded.

    A row has a return if one of its columns is filled, with another word than no; minutes and parts alone are none.
    """
    field_of = {column.heading: column.field for column in section.columns}
    all_headings = return_headings(section, bleeds)
    headings = [one for one in all_headings if field_of.get(one) not in RETURN_COSTS] or all_headings
    filled = raw.cells.select(
        recorded_text(raw.cells.get_column(heading), section.missing).is_not_null().alias(heading)
        for heading in headings
    )
    if not filled.select(pl.any_horizontal(pl.all().any())).item():
        return None
    returns = pl.DataFrame(
        [filled.get_column(heading) & ~_says_no(raw.cells.get_column(heading), section) for heading in headings]
    )
    columns = list(dict.fromkeys((ROW, *section.headings)))
    rows = raw.cells.select(columns).filter(returns.select(pl.any_horizontal(pl.all())).to_series())
    name = f"{raw.file} [{headings[0].replace('/', ' ')[:_MAX_HEADING]}]"
    own_rows = replace(raw, file=name, cells=rows, broken=unparsed_rows(), notes=())
    return MappedTable(own_rows, section, convert(own_rows, section), bleeds_file=raw.file)


def returns_note(part: MappedTable, bleeds: TableMap) -> str:
    """What was read as returns from the rows of bleeds, for the notes on the import."""
    table_map = part.table_map
    count, listed = part.raw.rows_read, ", ".join(map(repr, return_headings(table_map, bleeds)))
    rows = "1 return" if count == 1 else f"{count:,} returns"
    text = f"{part.bleeds_file}: {rows} read from the rows of the bleeds ({listed})"
    moment, start = (
        one.get(name) for one, name in ((part.heading_of, "returned_at"), (_headings_by_field(bleeds), "started_at"))
    )
    if moment == start:
        text += "; they have no date of their own, so each counts on the day of its bleed; how soon bikes came back is unknown"
    return text


def fill_bleed_ids(parts: list[MappedTable], bleeds: DeduplicatedTable) -> list[MappedTable]:
    """The files of returns; one written in the row of a bleed without a job number gets the ID generated for that bleed."""
    return [_add_bleed_ids(part, bleeds) if part.bleeds_file else part for part in parts]


def _add_bleed_ids(part: MappedTable, bleeds: DeduplicatedTable) -> MappedTable:
    frame = part.converted.frame
    place = next(i for i, one in enumerate(bleeds.combined.parts) if one.raw.file == part.bleeds_file)
    if "session_id" in frame.columns:
        return part
    ids = bleeds.combined.frame.filter(pl.col(ROW_INDEX) == place).select(ROW, "session_id")
    frame = frame.join(ids, on=ROW, how="left", maintain_order="left")
    return replace(part, converted=replace(part.converted, frame=frame))


def _headings_by_field(table_map: TableMap) -> dict[str, str]:
    return {column.field: column.heading for column in table_map.columns}


def _says_no(cells: pl.Series, section: TableMap) -> pl.Series:
    own = next((column.name for column in section.own if normalise(column.heading) == normalise(cells.name)), None)
    words = section.values.get(f"own.{own}", {})
    return (map_categories(cells, yes_no_lookup(words), section.missing) == "false").fill_null(False)


def match_tables(
    raw_tables: RawTables, mapping: ExportMap | None, groups: Sequence[str] = ()
) -> tuple[dict[str, list[MappedTable]], list[str]]:
    """The files of each table of the log, and warnings about files, columns and sections that are not used.

    `groups` are headings of further columns of the bleeds to read, whose values are compared.

    Raises
    ------
    UserError
        It is unclear whether day or month comes first in a date, a map does not fit, or no bleeds have a column to compare.
    """
    parts: dict[str, list[MappedTable]] = {}
    warnings = [f"{one.file}: skipped ({one.reason})" for one in raw_tables.skipped] + list(raw_tables.notes)
    absent: list[tuple[str, str, AbsentHeading]] = []
    tables = tuple(map(restore_formulas, raw_tables.tables))
    matches = [_mark_group_columns(raw, match_table(raw, mapping), groups) for raw in tables]
    unused = unused_sections(mapping, matches, tables) if mapping else []
    for raw, match in zip(tables, matches, strict=True):
        if match.table_map is None:
            lacks = f"; it looks like {match.resembles} but has no {', '.join(match.lacks)}" if match.resembles else ""
            warnings.append(f"{raw.file}: not used; not recognised as a table of the log{lacks}")
            continue
        in_rows = list(matches_in_rows(raw, match.table_map, mapping)) if match.table_map.table == "sessions" else []
        used = [one for one in (match, *in_rows) if one.table_map is not None]
        absent += [(raw.file, one.table_map.table, missing) for one in used if one.table_map for missing in one.absent]
        files, notes = _convert_file_parts(
            raw, match.table_map, [one.table_map for one in in_rows if one.table_map], mapping
        )
        warnings += notes
        for part in files:
            parts.setdefault(part.table_map.table, []).append(part)
    _refuse_absent_groups(groups, parts.get("sessions", []))
    if mapping is not None:
        warnings += [f"{mapping.file}: no file has the headings of section [{one.table}]; not used" for one in unused]
        warnings += [_absent_heading_warning(mapping, parts, *one) for one in absent if one[1] in parts]
    return parts, warnings


def _convert_file_parts(
    raw: RawTable, table_map: TableMap, in_rows: Sequence[TableMap], mapping: ExportMap | None
) -> tuple[list[MappedTable], list[str]]:
    """A file as rows of its table, and the returns in its rows, each converted; and notes about its columns."""
    for section in (table_map, *in_rows):
        _refuse_ambiguous_dates(raw, section, mapping)
    converted = convert(raw, table_map)
    notes = []
    used = {*REASON_COLUMNS, *(heading for section in in_rows for heading in section.headings)}
    not_used = [repr(name[:_MAX_LETTERS]) for name in converted.unmapped if name not in used]
    if not_used:
        more = f" and {len(not_used) - _MAX_HEADINGS} more" if len(not_used) > _MAX_HEADINGS else ""
        notes.append(f"{raw.file}: columns not used: {', '.join(not_used[:_MAX_HEADINGS])}{more}")
    notes += [f"{raw.file}: {warning}" for warning in shared_heading_notes(raw.headings, table_map)]
    returns = [part for section in in_rows if (part := returns_part(raw, section, table_map)) is not None]
    notes += [returns_note(part, table_map) for part in returns]
    return [MappedTable(raw, table_map, converted), *returns], notes


def _mark_group_columns(raw: RawTable, match: TableMatch, groups: Sequence[str]) -> TableMatch:
    """The match of a file of bleeds with the columns to compare among its own ones; mapped fields stay as they are."""
    table_map = match.table_map
    if table_map is None or table_map.table != "sessions":
        return match
    for group in groups:
        sought = normalise(group)
        heading = next((one for one in raw.headings if normalise(one) == sought), None)
        own = [column for column in table_map.own if sought in (normalise(column.heading), f"own.{column.name}")]
        if own:
            flagged = tuple(replace(c, group=True) if c in own else c for c in table_map.own)
            table_map = replace(table_map, own=flagged)
        elif heading is not None and heading not in table_map.headings:
            name = re.sub(r"\W+", "_", sought).strip("_")[:_MAX_LETTERS] or "group"
            name = name if name.isidentifier() else f"group_{name}"
            table_map = replace(table_map, own=(*table_map.own, OwnColumn(name, heading, role="context", group=True)))
    return replace(match, table_map=table_map)


def _refuse_absent_groups(groups: Sequence[str], bleeds: Sequence[MappedTable]) -> None:
    for group in groups if bleeds else ():
        sought = normalise(group)
        fields = {column.field for part in bleeds for column in part.table_map.columns}
        own = [column for part in bleeds for column in part.table_map.own if column.group]
        if sought in fields or any(sought in (normalise(c.heading), f"own.{c.name}") for c in own):
            continue
        mapped = {normalise(c.heading): c.field for part in bleeds for c in part.table_map.columns}
        raise UserError(
            f"--group {group}",
            f"{bleeds[0].raw.file} has no such column",
            "a heading of the bleeds that is not a field of the log, or the name of a field",
            f"write --group {mapped[sought]}" if sought in mapped else "correct the name",
        )


def _refuse_ambiguous_dates(raw: RawTable, table_map: TableMap, mapping: ExportMap | None) -> None:
    for column in ambiguous_dates(raw, table_map):
        line = 'date_order = "dmy" or date_order = "mdy"'
        raise UserError(
            f"{raw.file}, column {column.heading!r}",
            f"it is unclear whether {column.example!r} is day-first or month-first, and no other cell settles it",
            f"{line} under [{table_map.table}] in the map",
            f"add that line to {mapping.file}"
            if mapping
            else "make a map with rebleed map, check it, and pass it with --map",
        )


def shared_heading_notes(headings: Sequence[str], table_map: TableMap) -> Iterator[str]:
    """Columns with the same heading, capitals and spaces ignored, and which of them is read."""
    field_of = {column.heading: column.field for column in table_map.columns}
    field_of |= {column.heading: f"own.{column.name}" for column in table_map.own}
    same: dict[str, list[str]] = {}
    all_headings = set(headings)
    for heading in headings:
        same.setdefault(normalise(heading_as_written(heading, all_headings)), []).append(heading)
    for group in same.values():
        used = [
            f"{heading[:_MAX_LETTERS]!r} is read as {field_of[heading]}" for heading in group if heading in field_of
        ]
        rest = [repr(heading[:_MAX_LETTERS]) for heading in group if heading not in field_of]
        if used and rest:
            listed = ", ".join(rest[:_MAX_HEADINGS])
            yield f"{len(group)} columns share a heading: {', '.join(used)}; not read: {listed}"


def _absent_heading_warning(
    mapping: ExportMap, parts: dict[str, list[MappedTable]], file: str, table: str, absent: AbsentHeading
) -> str:
    """Warn of a heading that only other files of the table have; one that no file has is a mistake in the map.

    Raises
    ------
    UserError
        No file of the table has it.
    """
    keys = {f"columns.{column.field}" for part in parts[table] for column in part.table_map.columns}
    keys |= {f"own.{column.name}.heading" for part in parts[table] for column in part.table_map.own}
    heading = repr(absent.heading[:_MAX_LETTERS])
    if absent.key not in keys:
        raise UserError(
            f"{mapping.file}, {table}.{absent.key}",
            f"{file} has no heading {heading}",
            "a heading of that file",
            "correct the heading in the map, or delete the line",
        )
    return f"{file}: has no column {heading}, unlike other files of {table}; left empty for this file"


def no_bleeds_table_error(raw_tables: RawTables, mapping: ExportMap | None) -> UserError:
    """The error if no file is a table of bleeds: what was found instead."""
    descriptions = []
    for raw in raw_tables.tables:
        match = match_table(raw, mapping)
        if match.resembles == "sessions" or (match.resembles and len(raw_tables.tables) == 1):
            return UserError(
                raw.file,
                f"looks like a table of {match.resembles}, but has no column for {', '.join(match.lacks)}",
                "a column for every required field (rebleed fields lists them)",
                f"add the column; if it has another heading, {_mapping_remedy(raw.file, mapping)}",
            )
        descriptions.append(_table_description(raw))
    return UserError(
        "the exports",
        f"no table of bleeds found. Tables read: {'; '.join(descriptions[:5]) or 'none'}",
        "one table with a row per bleed: bike_id, brake, technician, started_at and whatever else was recorded",
        f"if your headings differ, {_mapping_remedy('EXPORT', mapping)}",
    )


def _mapping_remedy(export: str, mapping: ExportMap | None) -> str:
    """What gives a heading its field: a new map, or a line in the one there is."""
    if mapping is None:
        return f"make a map with rebleed map {export}, and pass it with --map"
    return f"write it in {mapping.file} under [sessions.columns]"


def _table_description(raw: RawTable) -> str:
    names = ", ".join(heading[:24] for heading in raw.headings[:5])
    return f"{raw.file} ({raw.rows_read} {'row' if raw.rows_read == 1 else 'rows'}; {names} …)"
