"""Returns that a workshop writes in the row of their bleed, read as rows of the table of returns."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import polars as pl

from analysis.errors import UserError
from analysis.intake.convert.category_levels import map_categories, yes_no_lookup
from analysis.intake.convert.cleaned_text import normalise, recorded_text
from analysis.intake.convert.columns import convert
from analysis.intake.deduplicate import ROW_INDEX, Deduplicated, FilePart
from analysis.intake.mapping.match_table import TableMatch, sections_in_rows
from analysis.intake.mapping.table_map import Mapping, TableMap
from analysis.intake.readers.raw_table import ROW, RawTable, unparsed_rows

_MAX_HEADING = 60


def matches_in_rows(raw: RawTable, bleeds: TableMap, mapping: Mapping | None) -> Iterator[TableMatch]:
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


def returns_part(raw: RawTable, section: TableMap, bleeds: TableMap) -> FilePart | None:
    """The rows of a file that have a return, under a name of their own; None if nothing was ever recorded.

    A row has a return if one of its columns is filled, with another word than no.
    """
    headings = return_headings(section, bleeds)
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
    return FilePart(own_rows, section, convert(own_rows, section), bleeds_file=raw.file)


def returns_note(part: FilePart, bleeds: TableMap) -> str:
    """What was read as returns from the rows of bleeds, for the notes on the import."""
    table_map = part.table_map
    count, listed = part.raw.rows_read, ", ".join(map(repr, return_headings(table_map, bleeds)))
    rows = "1 return" if count == 1 else f"{count:,} returns"
    text = f"{part.bleeds_file}: {rows} read from the rows of the bleeds ({listed})"
    moment, start = (one.get(name) for one, name in ((part.heading_of, "returned_at"), (_fields(bleeds), "started_at")))
    if moment == start:
        text += "; they have no date of their own, so each counts on the day of its bleed; how soon bikes came back is unknown"
    return text


def with_bleeds(parts: list[FilePart], bleeds: Deduplicated) -> list[FilePart]:
    """The files of returns; one written in the row of a bleed without a job number gets the ID generated for that bleed."""
    return [_with_bleed_ids(part, bleeds) if part.bleeds_file else part for part in parts]


def _with_bleed_ids(part: FilePart, bleeds: Deduplicated) -> FilePart:
    frame = part.converted.frame
    place = next(i for i, one in enumerate(bleeds.combined.parts) if one.raw.file == part.bleeds_file)
    if "session_id" in frame.columns:
        return part
    ids = bleeds.combined.frame.filter(pl.col(ROW_INDEX) == place).select(ROW, "session_id")
    frame = frame.join(ids, on=ROW, how="left", maintain_order="left")
    return replace(part, converted=replace(part.converted, frame=frame))


def _fields(table_map: TableMap) -> dict[str, str]:
    return {column.field: column.heading for column in table_map.columns}


def _says_no(cells: pl.Series, section: TableMap) -> pl.Series:
    own = next((column.name for column in section.own if normalise(column.heading) == normalise(cells.name)), None)
    words = section.values.get(f"own.{own}", {})
    return (map_categories(cells, yes_no_lookup(words), section.missing) == "false").fill_null(False)
