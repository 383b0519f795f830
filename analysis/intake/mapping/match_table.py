"""Which table of the log a file holds: told by the map's sections, or recognised by its headings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.errors import UserError
from analysis.intake.convert.cleaned_text import normalise
from analysis.intake.mapping.table_map import FIELDS, ColumnMap, Mapping, OwnColumn, TableMap, required_fields
from analysis.intake.readers.raw_table import RawTable
from schemas import LOG_TABLES

LOG_TABLE_NAMES = tuple(LOG_TABLES)


@dataclass(frozen=True)
class Absent:
    """A heading that the map names and a file of its table has not: the key in the map, the heading there."""

    key: str
    heading: str


@dataclass(frozen=True)
class TableMatch:
    """What a file is: its map, or None with the table it resembles most and the required fields it lacks.

    `section` is the map's section as it was read, if one fits; `absent` are headings of optional fields that it names
    and the file does not have.
    """

    table_map: TableMap | None
    resembles: str | None = None
    lacks: tuple[str, ...] = ()
    absent: tuple[Absent, ...] = ()
    section: TableMap | None = None


def match_table(raw: RawTable, mapping: Mapping | None, tables: tuple[str, ...] = LOG_TABLE_NAMES) -> TableMatch:
    """The map's section for a file, its headings spelled as they stand there; without a map, the canonical names.

    Parameters
    ----------
    raw
        The file as it stands.
    mapping
        A map, or None.
    tables
        What the file may be; sections for anything else are passed over.
    """
    recognised = _recognised(raw, tables)
    written = [one for one in mapping.sections if one.table in tables] if mapping else []
    if not written:
        return recognised
    sections = [(_completed(one, recognised), one) for one in written]
    fits = [(section, own) for section, own in sections if not _lacking(raw, section)]
    if fits:
        best, own = max(fits, key=lambda both: _likeness(raw, both[0]))
        return replace(_with_file_headings(raw, best), section=own)
    if recognised.table_map is not None:
        return recognised
    closest = min((section for section, _ in sections), key=lambda section: len(_lacking(raw, section)))
    lacks = _lacking(raw, closest)
    return (
        TableMatch(None, closest.table, lacks) if 2 * len(lacks) <= len(required_fields(closest.table)) else recognised
    )


def _completed(section: TableMap, recognised: TableMatch) -> TableMap:
    """A section that names no required field adds to the log's own headings."""
    canonical = recognised.table_map
    mapped = {column.field for column in section.columns}
    if canonical is None or canonical.table != section.table or mapped & set(required_fields(section.table)):
        return section
    used = {normalise(heading) for heading in section.headings}
    more = (c for c in canonical.columns if c.field not in mapped and normalise(c.heading) not in used)
    return replace(section, columns=(*section.columns, *more))


def _likeness(raw: RawTable, section: TableMap) -> tuple[bool, int]:
    """Rather a section whose headings are all there, then the one with the most."""
    headings = {normalise(heading) for heading in raw.headings}
    present = [normalise(heading) in headings for heading in section.headings]
    return all(present), sum(present)


def _recognised(raw: RawTable, tables: tuple[str, ...]) -> TableMatch:
    by_plain = {normalise(heading): heading for heading in reversed(raw.headings)}
    matched = {
        table: tuple(ColumnMap(name, by_plain[name]) for name in FIELDS[table] if name in by_plain) for table in tables
    }
    lacking = {table: tuple(name for name in required_fields(table) if name not in by_plain) for table in matched}
    table = max(matched, key=lambda name: (len(matched[name]), not lacking[name]))
    columns, lacks = matched[table], lacking[table]
    if len(columns) < min(2, len(raw.headings)) or not columns:
        return TableMatch(None)
    return TableMatch(None, table, lacks) if lacks else TableMatch(TableMap(table, columns))


def _lacking(raw: RawTable, section: TableMap) -> tuple[str, ...]:
    """The required fields whose headings the file has not, each with the heading the map gives it."""
    headings = {normalise(heading) for heading in raw.headings}
    mapped = {column.field: column.heading for column in section.columns}
    return tuple(
        f"{name} ({mapped[name][:60]!r})" if name in mapped else name
        for name in required_fields(section.table)
        if name not in mapped or normalise(mapped[name]) not in headings
    )


def sections_without_a_file(
    mapping: Mapping, fits: Sequence[TableMatch], raw: Sequence[RawTable], tables: tuple[str, ...] = LOG_TABLE_NAMES
) -> list[TableMap]:
    """The sections that fit none of the files.

    Parameters
    ----------
    mapping
        The map.
    fits
        What was found of each file.
    raw
        The files.
    tables
        What they may be.

    Raises
    ------
    UserError
        No section for one of these tables fits a file: the whole map would be ignored.
    """
    used = [id(fit.section) for fit in fits if fit.section is not None]
    unused = [section for section in mapping.sections if id(section) not in used]
    wanted = [section for section in mapping.sections if section.table in tables]
    if wanted and not used and raw:
        file, section = min(((r, s) for s in wanted for r in raw), key=lambda both: len(_lacking(*both)))
        raise UserError(
            f"{mapping.file}, {section.table}",
            f"no file has the headings of this map; {file.file} has none for {', '.join(_lacking(file, section))}",
            "a map made for these exports",
            "correct the headings (or the encoding and delimiter) in the map, or leave the map out",
        )
    return unused


def _with_file_headings(raw: RawTable, section: TableMap) -> TableMatch:
    """The section with its headings spelled as the file spells them, without those the file has not."""
    by_plain = {normalise(heading): heading for heading in reversed(raw.headings)} | {
        name: name for name in raw.headings
    }

    def file_heading(heading: str) -> str | None:
        return by_plain.get(heading, by_plain.get(normalise(heading)))

    columns = tuple(replace(c, heading=heading) for c in section.columns if (heading := file_heading(c.heading)))
    own: tuple[OwnColumn, ...] = tuple(
        replace(c, heading=heading) for c in section.own if (heading := file_heading(c.heading))
    )
    absent = [Absent(f"columns.{c.field}", c.heading) for c in section.columns if not file_heading(c.heading)]
    absent += [Absent(f"own.{c.name}.heading", c.heading) for c in section.own if not file_heading(c.heading)]
    return TableMatch(replace(section, columns=columns, own=own), absent=tuple(absent))
