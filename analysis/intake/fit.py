"""Which table of the log a file holds: told by the map's sections, or recognised by its headings."""

from __future__ import annotations

from dataclasses import dataclass, replace

from analysis.errors import CannotRun
from analysis.intake.mapping import FIELDS, MADE_IDS, ColumnMap, Mapping, OwnColumn, TableMap
from analysis.intake.raw import RawTable
from analysis.intake.words import plain


@dataclass(frozen=True)
class Fit:
    """What a file is: its map, or None with the table it resembles most and the required fields it lacks."""

    table_map: TableMap | None
    resembles: str | None = None
    lacks: tuple[str, ...] = ()


def fitting(raw: RawTable, mapping: Mapping | None) -> Fit:
    """The map's section for a file, its headings spelled as they stand there; without a map, the canonical names.

    Raises
    ------
    CannotRun
        A section has the file's required headings but names another heading that the file lacks.
    """
    if mapping is None:
        return _recognised(raw)
    sections = [section for section in mapping.sections if _has_required(raw, section)]
    if not sections:
        return Fit(None)
    best = max(sections, key=lambda section: len(section.columns))
    return Fit(_as_it_stands(raw, best, mapping.file))


def required_fields(table: str) -> tuple[str, ...]:
    """Fields a file must have a column for; an id that can be made is none."""
    return tuple(n for n, entry in FIELDS[table].items() if entry.required and n != MADE_IDS.get(table))


def _recognised(raw: RawTable) -> Fit:
    by_plain = {plain(heading): heading for heading in reversed(raw.headings)}
    matched = {
        table: tuple(ColumnMap(name, by_plain[name]) for name in fields if name in by_plain)
        for table, fields in FIELDS.items()
    }
    table = max(matched, key=lambda name: len(matched[name]))
    columns = matched[table]
    required = required_fields(table)
    lacks = tuple(name for name in required if name not in by_plain)
    if not columns or (lacks and len(columns) < 2):
        return Fit(None)
    return Fit(None, table, lacks) if lacks else Fit(TableMap(table, columns))


def _has_required(raw: RawTable, section: TableMap) -> bool:
    headings = {plain(heading) for heading in raw.headings}
    mapped = {column.field: column.heading for column in section.columns}
    wanted = [mapped.get(name) for name in required_fields(section.table)]
    return all(heading is not None and plain(heading) in headings for heading in wanted)


def _as_it_stands(raw: RawTable, section: TableMap, map_file: str) -> TableMap:
    exact = set(raw.headings)
    by_plain = {plain(heading): heading for heading in reversed(raw.headings)}

    def standing(heading: str, key: str) -> str:
        if heading in exact:
            return heading
        if plain(heading) not in by_plain:
            where = f"{map_file}, {section.table}.{key}"
            raise CannotRun(where, f"{raw.file} has no heading {heading!r}", "a heading of that file", "mend the map")
        return by_plain[plain(heading)]

    columns = tuple(replace(c, heading=standing(c.heading, f"columns.{c.field}")) for c in section.columns)
    own: tuple[OwnColumn, ...] = tuple(
        replace(c, heading=standing(c.heading, f"own.{c.name}.heading")) for c in section.own
    )
    return replace(section, columns=columns, own=own)
