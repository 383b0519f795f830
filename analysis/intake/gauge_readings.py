"""Readings of a gauge study, read, mapped and validated like an export; every row is accepted, rejected or a duplicate."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.errors import UserError
from analysis.intake.bleed_log import Source
from analysis.intake.convert.columns import convert
from analysis.intake.deduplicate import (
    ROW_INDEX,
    CombinedTable,
    DeduplicatedTable,
    MappedTable,
    combine_files,
    deduplicate,
)
from analysis.intake.mapping.read_map import read_map
from analysis.intake.mapping.table_map import match_table, unused_sections
from analysis.intake.readers.raw_table import RawTable
from analysis.intake.readers.sources import raw_tables
from analysis.intake.rejections import rejection_table, rejections
from analysis.intake.validate import validate
from schemas import validate_table
from schemas.log import Readings
from schemas.outputs import SetAside

TABLE = "readings"


@dataclass(frozen=True)
class GaugeReadings:
    """The accepted readings of a study, the reasons for rejected rows, and the inputs.

    `readings` is sorted by item, technician and repeat; `heading` is the file's heading of the reading; `technicians`
    are all technicians named in any row, accepted or not.
    """

    readings: DataFrame[Readings]
    set_aside: DataFrame[SetAside]
    sources: tuple[Source, ...]
    warnings: tuple[str, ...]
    heading: str
    technicians: tuple[str, ...]

    @property
    def rows_read(self) -> int:
        return sum(source.rows_read for source in self.sources)


def read_readings(export: str, map_path: str | None = None) -> GaugeReadings:
    """Read a gauge study: one row per reading, with item, technician and, if recorded, the number of the repeat.

    Two rows with the same item, technician and repeat are duplicates or in conflict; without a number they are two
    readings, since a second reading may well give the same figure.

    Parameters
    ----------
    export
        A file of any kind an export may be.
    map_path
        A map with a section [readings], for foreign headings.

    Raises
    ------
    UserError
        The file cannot be read, or has no item, technician and reading.
    """
    mapping = read_map(map_path) if map_path is not None else None
    files = raw_tables([export], [section.hint() for section in mapping.sections] if mapping else []).tables
    matches = [match_table(raw, mapping, (TABLE,)) for raw in files]
    if mapping is not None:
        unused_sections(mapping, matches, files, (TABLE,))
    parts = [
        MappedTable(raw, match.table_map, convert(raw, match.table_map))
        for raw, match in zip(files, matches, strict=True)
        if match.table_map is not None
    ]
    if not parts:
        raise _no_readings_table(export, files)
    unique = _deduplicate_repeats(combine_files(TABLE, tuple(parts)))
    validated = validate(unique, None)
    accepted = validated.accepted.drop(ROW_INDEX).sort("item", "technician", "repeat", "reading")
    unmatched = [raw for raw, match in zip(files, matches, strict=True) if match.table_map is None]
    return GaugeReadings(
        readings=validate_table(Readings, accepted),
        set_aside=rejection_table([rejections(unique, validated)]),
        sources=tuple(Source(part.raw.file, part.raw.sha256, part.raw.rows_read) for part in parts),
        warnings=tuple(f"{raw.file}: no readings in it; not used" for raw in unmatched),
        heading=parts[0].heading_of["reading"],
        technicians=tuple(unique.combined.frame.get_column("technician").drop_nulls().unique().sort()),
    )


def _deduplicate_repeats(combined: CombinedTable) -> DeduplicatedTable:
    """Mark duplicates and conflicts only among rows with the number of their repeat."""
    unique = deduplicate(combined)
    if "repeat" not in combined.frame.columns:
        none = pl.repeat(False, combined.frame.height, dtype=pl.Boolean, eager=True)
        return DeduplicatedTable(combined, none.alias("copy"), none.alias("conflict"))
    numbered = combined.frame.get_column("repeat").is_not_null()
    return DeduplicatedTable(combined, unique.copies & numbered, unique.conflicts & numbered)


def _no_readings_table(export: str, tables: tuple[RawTable, ...]) -> UserError:
    headings = "; ".join(", ".join(heading[:24] for heading in raw.headings[:6]) for raw in tables[:3])
    return UserError(
        export,
        f"no readings found. Headings: {headings}",
        "one row per reading with the headings item, technician, reading (and repeat)",
        "rename the headings, or pass a map with --map: [readings.columns] item = …, technician = …, reading = …",
    )
