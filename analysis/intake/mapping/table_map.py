"""The content of a map (which heading is which field, in which unit and words), and which table of the log a file is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from analysis.errors import UserError
from analysis.intake.convert.cleaned_text import normalise
from analysis.intake.convert.dates import Order
from analysis.intake.readers.raw_table import RawTable, ReadingHint
from schemas import LOG_TABLES, STUDY_TABLES, Entry, field_entries

MODELS = LOG_TABLES | STUDY_TABLES
FIELDS: dict[str, dict[str, Entry]] = {
    table: {entry.name: entry for entry in field_entries(table, model)} for table, model in MODELS.items()
}
GENERATED_IDS = {"sessions": "session_id", "comebacks": "comeback_id", "actions": "action_id"}
"""Ids that are generated where a file has no column for them."""
LOG_TABLE_NAMES = tuple(LOG_TABLES)
RETURN_COSTS = ("minutes", "parts_cost")
"""Fields of a return that do not make a row of bleeds one without another: a till fills them with 0."""


@dataclass(frozen=True)
class ColumnMap:
    """The heading of one field; `unit` is the export's unit where it differs from the field's."""

    field: str
    heading: str
    unit: str | None = None


@dataclass(frozen=True)
class OwnColumn:
    """A column that only this shop has, read as `own.<name>`; `low` and `high` are inclusive limits in `unit`.

    `group` says that bleeds with the same value are compared with the others, as those of a lot or kit are.
    """

    name: str
    heading: str
    type: str = "text"
    unit: str = ""
    role: str = ""
    low: float | None = None
    high: float | None = None
    group: bool = False


@dataclass(frozen=True)
class TableMap:
    """How one file or sheet becomes one table of the log.

    `values` gives, for a field, the words of the export for each level (`true` and `false` for a yes/no field), or the
    other spellings of a name. With `in_bleed_rows` the returns are written in the rows of a table of bleeds.
    """

    table: str
    columns: tuple[ColumnMap, ...]
    values: Mapping[str, Mapping[str, tuple[str, ...]]] = field(default_factory=dict)
    own: tuple[OwnColumn, ...] = ()
    decimal: str | None = None
    thousands: str = ""
    date_order: Order | None = None
    encoding: str | None = None
    delimiter: str | None = None
    missing: tuple[str, ...] = ()
    short_rows: bool = False
    in_bleed_rows: bool = False

    @property
    def headings(self) -> tuple[str, ...]:
        """Every heading in the map, those of custom columns last."""
        return (*(column.heading for column in self.columns), *(column.heading for column in self.own))

    def hint(self) -> ReadingHint:
        """What the readers need before they can find the heading row."""
        required = required_fields(self.table)
        headings = frozenset(column.heading for column in self.columns if column.field in required)
        return ReadingHint(self.encoding, self.delimiter, self.short_rows, headings)


@dataclass(frozen=True)
class ExportMap:
    """The sections of a map and the file it was read from."""

    sections: tuple[TableMap, ...]
    file: str


def required_fields(table: str) -> tuple[str, ...]:
    """Fields for which a file must have a column; an id that can be generated is not one."""
    return tuple(name for name, entry in FIELDS[table].items() if entry.required and name != GENERATED_IDS.get(table))


@dataclass(frozen=True)
class AbsentHeading:
    """A heading of the map that a file of its table does not have, and its key in the map."""

    key: str
    heading: str


@dataclass(frozen=True)
class TableMatch:
    """The table of the log that a file holds.

    `table_map` is None where the file matches no table; then `resembles` is the closest table, and `lacks` the required
    fields it has no heading for. `absent` are headings of optional fields that the map names and the file does not have;
    `section` is the section of the map that was used, as it was read.
    """

    table_map: TableMap | None
    resembles: str | None = None
    lacks: tuple[str, ...] = ()
    absent: tuple[AbsentHeading, ...] = ()
    section: TableMap | None = None


def match_table(raw: RawTable, mapping: ExportMap | None, tables: tuple[str, ...] = LOG_TABLE_NAMES) -> TableMatch:
    """Find the section of the map that fits a file; without one, the table whose field names are the file's headings.

    Sections of the map for tables that are not among `tables` are ignored.
    """
    by_name = _match_by_field_names(raw, tables)
    candidates = [section for section in mapping.sections if section.table in tables] if mapping else []
    if not candidates:
        return by_name
    completed = [(_with_own_headings(section, by_name), section) for section in candidates]
    fitting = [(full, section) for full, section in completed if not _missing_fields(raw, full)]
    if fitting:
        best, section = max(fitting, key=lambda pair: (not pair[0].in_bleed_rows, *_heading_fit_rank(raw, pair[0])))
        if _is_another_table(by_name, best, raw):
            return by_name
        return replace(_respell_headings(raw, best), section=section)
    if by_name.table_map is not None:
        return by_name
    closest = min((full for full, _ in completed), key=lambda full: len(_missing_fields(raw, full)))
    lacks = _missing_fields(raw, closest)
    if 2 * len(lacks) <= len(required_fields(closest.table)):
        return TableMatch(None, closest.table, lacks)
    return by_name


def sections_in_rows(raw: RawTable, mapping: ExportMap | None) -> list[TableMatch]:
    """The sections of a map for returns in the rows of bleeds that fit a file."""
    sections = [section for section in mapping.sections if section.in_bleed_rows] if mapping else []
    return [
        replace(_respell_headings(raw, section), section=section)
        for section in sections
        if not _missing_fields(raw, section)
    ]


def unused_sections(
    mapping: ExportMap,
    matches: Sequence[TableMatch],
    files: Sequence[RawTable],
    tables: tuple[str, ...] = LOG_TABLE_NAMES,
) -> list[TableMap]:
    """Sections of the map whose required headings no file has.

    `matches` are of `files`, in the same order; `tables` are those that the files may hold.

    Raises
    ------
    UserError
        No section for one of these tables fits a file: the whole map would be ignored.
    """
    used = [id(match.section) for match in matches if match.section is not None]
    relevant = [section for section in mapping.sections if section.table in tables]
    if relevant and not used and files:
        file, section = min(((f, s) for s in relevant for f in files), key=lambda pair: len(_missing_fields(*pair)))
        raise UserError(
            f"{mapping.file}, [{section.table}]",
            f"no file has the headings of this map; {file.file} has none for {', '.join(_missing_fields(file, section))}",
            "a map made for these exports",
            "correct the headings (or the encoding and delimiter) in the map, or leave the map out",
        )
    unused = [section for section in mapping.sections if id(section) not in used]
    return [section for section in unused if all(_missing_fields(file, section) for file in files)]


def _with_own_headings(section: TableMap, by_name: TableMatch) -> TableMap:
    """Add the log's own headings to a section that names no required field."""
    own_names = by_name.table_map
    mapped = {column.field for column in section.columns}
    if own_names is None or own_names.table != section.table or mapped & set(required_fields(section.table)):
        return section
    used = {normalise(heading) for heading in section.headings}
    added = (c for c in own_names.columns if c.field not in mapped and normalise(c.heading) not in used)
    return replace(section, columns=(*section.columns, *added))


def _heading_fit_rank(raw: RawTable, section: TableMap) -> tuple[bool, int]:
    """Whether the file has every heading of a section, and how many: a complete section comes first, then the longest."""
    headings = {normalise(heading) for heading in raw.headings}
    present = [normalise(heading) in headings for heading in section.headings]
    return all(present), sum(present)


def _is_another_table(by_name: TableMatch, section: TableMap, raw: RawTable) -> bool:
    """Whether the file has the log's own headings for another table, and more of them than of the section's."""
    own = by_name.table_map
    return own is not None and own.table != section.table and len(own.columns) > _heading_fit_rank(raw, section)[1]


def _match_by_field_names(raw: RawTable, tables: tuple[str, ...]) -> TableMatch:
    heading_of = {normalise(heading): heading for heading in reversed(raw.headings)}
    columns = {
        table: tuple(ColumnMap(name, heading_of[name]) for name in FIELDS[table] if name in heading_of)
        for table in tables
    }
    missing = {table: tuple(name for name in required_fields(table) if name not in heading_of) for table in tables}
    table = max(tables, key=lambda name: (len(columns[name]), not missing[name]))
    if not columns[table] or len(columns[table]) < min(2, len(raw.headings)):
        return TableMatch(None)
    return TableMatch(None, table, missing[table]) if missing[table] else TableMatch(TableMap(table, columns[table]))


def _missing_fields(raw: RawTable, section: TableMap) -> tuple[str, ...]:
    """Required fields whose heading the file does not have, each with the heading the map gives."""
    headings = {normalise(heading) for heading in raw.headings}
    heading_of = {column.field: column.heading for column in section.columns}
    return tuple(
        f"{name} ({heading_of[name][:60]!r})" if name in heading_of else name
        for name in required_fields(section.table)
        if name not in heading_of or normalise(heading_of[name]) not in headings
    )


def _respell_headings(raw: RawTable, section: TableMap) -> TableMatch:
    """The section with headings spelled as in the file, without those the file does not have."""
    spelling = {normalise(heading): heading for heading in reversed(raw.headings)} | {
        name: name for name in raw.headings
    }

    def in_file(heading: str) -> str | None:
        return spelling.get(heading, spelling.get(normalise(heading)))

    columns = tuple(replace(c, heading=heading) for c in section.columns if (heading := in_file(c.heading)))
    own: tuple[OwnColumn, ...] = tuple(
        replace(c, heading=heading) for c in section.own if (heading := in_file(c.heading))
    )
    absent = [AbsentHeading(f"columns.{c.field}", c.heading) for c in section.columns if not in_file(c.heading)]
    absent += [AbsentHeading(f"own.{c.name}.heading", c.heading) for c in section.own if not in_file(c.heading)]
    return TableMatch(replace(section, columns=columns, own=own), absent=tuple(absent))
