"""Which table of the log each raw table is, and what its cells say as the map reads them."""

from __future__ import annotations

from analysis.errors import CannotRun
from analysis.intake.account import Part
from analysis.intake.convert import converted, undecided_dates
from analysis.intake.fit import Absent, fitting
from analysis.intake.mapping import Mapping
from analysis.intake.sources import RawTables


def table_parts(found: RawTables, mapping: Mapping | None) -> tuple[dict[str, list[Part]], list[str]]:
    """Parts by table of the log, and what a reader must be told of tables and columns that are none.

    Raises
    ------
    CannotRun
        A date reads either way, or a map does not fit.
    """
    parts: dict[str, list[Part]] = {}
    warnings = [f"{one.file}: not read, {one.why}" for one in found.passed_over] + list(found.notes)
    used, absent = set(), []
    for raw in found.tables:
        fit = fitting(raw, mapping)
        if fit.table_map is None:
            lacks = f", it looks like {fit.resembles} but lacks {', '.join(fit.lacks)}" if fit.resembles else ""
            warnings.append(f"{raw.file}: no table of the log{lacks}; passed over")
            continue
        for column in undecided_dates(raw, fit.table_map):
            raise CannotRun(
                f"{raw.file}, column {column.heading!r}",
                f"{column.example!r} reads with the day or with the month first, and no cell decides it",
                'date_order = "dmy" or "mdy" in the map',
                "make a map with rebleed map, set date_order, and give it with --map",
            )
        used.add(fit.table_map.table)
        absent += [(raw.file, fit.table_map.table, one) for one in fit.absent]
        read = converted(raw, fit.table_map)
        if read.unmapped:
            warnings.append(
                f"{raw.file}: passed over the columns {', '.join(repr(heading[:60]) for heading in read.unmapped[:12])}"
            )
        parts.setdefault(fit.table_map.table, []).append(Part(raw, fit.table_map, read))
    if mapping is not None:
        unused = [section.table for section in mapping.sections if section.table not in used]
        warnings += [f"{mapping.file}: the section {name} fits none of the files" for name in unused]
        warnings += [_lacking(mapping, parts, *one) for one in absent]
    return parts, warnings


def _lacking(mapping: Mapping, parts: dict[str, list[Part]], file: str, table: str, absent: Absent) -> str:
    """A heading that other files of the table have; one that none has is a slip in the map.

    Raises
    ------
    CannotRun
        No file of the table has it.
    """
    fields = {f"columns.{column.field}" for part in parts[table] for column in part.table_map.columns}
    fields |= {f"own.{column.name}.heading" for part in parts[table] for column in part.table_map.own}
    if absent.key not in fields:
        raise CannotRun(
            f"{mapping.file}, {table}.{absent.key}",
            f"{file} has no heading {absent.heading!r}",
            "a heading of that file",
            "mend the map",
        )
    return f"{file}: has no column {absent.heading!r}, as other files of {table} have; nothing recorded there"
