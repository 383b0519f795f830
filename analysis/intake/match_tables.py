"""Which table of the log each raw table is, and what its cells say as the map reads them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from analysis.errors import UserError
from analysis.intake.convert.cleaned_text import normalise
from analysis.intake.convert.columns import ambiguous_dates, convert
from analysis.intake.deduplicate import FilePart
from analysis.intake.mapping.mapping import Mapping
from analysis.intake.mapping.match_table import Absent, match_table, sections_without_a_file
from analysis.intake.mapping.table_map import TableMap
from analysis.intake.readers.raw_table import RawTables
from analysis.intake.rejected_rows import as_written

_MAX_LETTERS = 60
"""Characters of a heading."""
_COPY = re.compile(r"(.+) \(\d+\)", re.DOTALL)
"""A heading that stood in its file before, as the readers number it."""


def match_tables(raw_tables: RawTables, mapping: Mapping | None) -> tuple[dict[str, list[FilePart]], list[str]]:
    """Parts by table of the log, and what a reader must be told of tables and columns that are none.

    Raises
    ------
    UserError
        A date reads either way, or a map does not fit.
    """
    parts: dict[str, list[FilePart]] = {}
    warnings = [f"{one.file}: not read, {one.reason}" for one in raw_tables.skipped] + list(raw_tables.notes)
    absent = []
    tables = tuple(map(as_written, raw_tables.tables))
    fits = [match_table(raw, mapping) for raw in tables]
    unused = sections_without_a_file(mapping, fits, tables) if mapping else []
    for raw, fit in zip(tables, fits, strict=True):
        if fit.table_map is None:
            lacks = f", it looks like {fit.resembles} but lacks {', '.join(fit.lacks)}" if fit.resembles else ""
            warnings.append(f"{raw.file}: no table of the log{lacks}; passed over")
            continue
        for column in ambiguous_dates(raw, fit.table_map):
            raise UserError(
                f"{raw.file}, column {column.heading!r}",
                f"{column.example!r} reads with the day or with the month first, and no cell decides it",
                'date_order = "dmy" or "mdy" in the map',
                "make a map with rebleed map, set date_order, and give it with --map",
            )
        absent += [(raw.file, fit.table_map.table, one) for one in fit.absent]
        converted = convert(raw, fit.table_map)
        if converted.unmapped:
            warnings.append(
                f"{raw.file}: passed over the columns {', '.join(repr(heading[:_MAX_LETTERS]) for heading in converted.unmapped[:12])}"
            )
        warnings += [f"{raw.file}: {words}" for words in _shared_headings(raw.headings, fit.table_map)]
        parts.setdefault(fit.table_map.table, []).append(FilePart(raw, fit.table_map, converted))
    if mapping is not None:
        warnings += [f"{mapping.file}: the section {section.table} fits none of the files" for section in unused]
        warnings += [_lacking(mapping, parts, *one) for one in absent]
    return parts, warnings


def _shared_headings(headings: Sequence[str], table_map: TableMap) -> Iterator[str]:
    """Which columns share a heading, capitals and blanks aside, and which of them is read."""
    field_of = {column.heading: column.field for column in table_map.columns}
    field_of |= {column.heading: f"own.{column.name}" for column in table_map.own}
    alike: dict[str, list[str]] = {}
    known = set(headings)
    for heading in headings:
        copy = _COPY.fullmatch(heading)
        alike.setdefault(normalise(copy[1] if copy and copy[1] in known else heading), []).append(heading)
    for group in alike.values():
        readings = [
            f"{heading[:_MAX_LETTERS]!r} is read as {field_of[heading]}" for heading in group if heading in field_of
        ]
        rest = [repr(heading[:_MAX_LETTERS]) for heading in group if heading not in field_of]
        if readings and rest:
            yield f"{len(group)} columns share a heading: {', '.join(readings)}; not read: {', '.join(rest[:12])}"


def _lacking(mapping: Mapping, parts: dict[str, list[FilePart]], file: str, table: str, absent: Absent) -> str:
    """A heading that other files of the table have; one that none has is a slip in the map.

    Raises
    ------
    UserError
        No file of the table has it.
    """
    fields = {f"columns.{column.field}" for part in parts[table] for column in part.table_map.columns}
    fields |= {f"own.{column.name}.heading" for part in parts[table] for column in part.table_map.own}
    if absent.key not in fields:
        raise UserError(
            f"{mapping.file}, {table}.{absent.key}",
            f"{file} has no heading {absent.heading[:_MAX_LETTERS]!r}",
            "a heading of that file",
            "mend the map",
        )
    return f"{file}: has no column {absent.heading[:_MAX_LETTERS]!r}, as other files of {table} have; nothing recorded there"
