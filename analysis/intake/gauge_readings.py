"""The readings of a gauge study, mapped and judged like an export; every row accepted, set aside, or an exact copy."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.errors import UserError
from analysis.intake.bleed_log import Source
from analysis.intake.convert.columns import convert
from analysis.intake.deduplicate import ROW_INDEX, CombinedTable, Deduplicated, FilePart, combine_files, deduplicated
from analysis.intake.mapping.mapping import read_map
from analysis.intake.mapping.match_table import match_table, sections_without_a_file
from analysis.intake.readers.raw_table import RawTable
from analysis.intake.readers.sources import raw_tables
from analysis.intake.rejections import rejections, set_aside_table
from analysis.intake.validate import validate
from schemas import validate_table
from schemas.log import Readings
from schemas.outputs import SetAside

TABLE = "readings"


@dataclass(frozen=True)
class GaugeReadings:
    """A study as it was read: the accepted readings, why rows were not accepted, and what was read.

    `readings` is sorted by item, technician and repeat; `heading` is what the file calls the reading; `technicians` is
    everyone named in any row, accepted or not.
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
    """Read a gauge study: one row a reading, with item, technician and, where it was written, which repeat it was.

    Two rows of one item, technician and repeat are a copy or a conflict; where no repeat was written they are two
    readings, for a second look may well give the same figure.

    Parameters
    ----------
    export
        A file of any kind an export may be.
    map_path
        A map with a section [readings], for foreign headings.

    Raises
    ------
    UserError
        It cannot be read, or holds no item, technician and reading.
    """
    mapping = read_map(map_path) if map_path is not None else None
    raw_tables_found = raw_tables([export], [section.hint() for section in mapping.sections] if mapping else [])
    fits = [match_table(raw, mapping, (TABLE,)) for raw in raw_tables_found.tables]
    if mapping is not None:
        sections_without_a_file(mapping, fits, raw_tables_found.tables, (TABLE,))
    parts = [
        FilePart(raw, fit.table_map, convert(raw, fit.table_map))
        for raw, fit in zip(raw_tables_found.tables, fits, strict=True)
        if fit.table_map is not None
    ]
    if not parts:
        raise _no_readings_table(export, raw_tables_found.tables)
    unique = _deduplicated(combine_files(TABLE, tuple(parts)))
    ruled = validate(unique, None)
    warnings = [
        f"{raw.file}: no readings; passed over" for raw in raw_tables_found.tables if raw not in [p.raw for p in parts]
    ]
    return GaugeReadings(
        readings=validate_table(
            Readings, ruled.accepted.drop(ROW_INDEX).sort("item", "technician", "repeat", "reading")
        ),
        set_aside=set_aside_table([rejections(unique, ruled)]),
        sources=tuple(Source(part.raw.file, part.raw.sha256, part.raw.rows_read) for part in parts),
        warnings=tuple(warnings),
        heading=parts[0].heading_of["reading"],
        technicians=tuple(unique.combined.frame.get_column("technician").drop_nulls().unique().sort()),
    )


def _deduplicated(combined: CombinedTable) -> Deduplicated:
    """Copies and conflicts among rows that say which repeat they are."""
    unique = deduplicated(combined)
    if "repeat" not in combined.frame.columns:
        nothing = pl.repeat(False, combined.frame.height, dtype=pl.Boolean, eager=True)
        return Deduplicated(combined, nothing.alias("copy"), nothing.alias("conflict"))
    numbered = combined.frame.get_column("repeat").is_not_null()
    return Deduplicated(combined, unique.copies & numbered, unique.conflicts & numbered)


def _no_readings_table(export: str, tables: tuple[RawTable, ...]) -> UserError:
    tables_seen = "; ".join(", ".join(heading[:24] for heading in raw.headings[:6]) for raw in tables[:3])
    return UserError(
        export,
        f"holds no readings. Its headings: {tables_seen}",
        "one row a reading with the headings item, technician, reading (and repeat)",
        "rename them, or give a map: [readings.columns] item = …, technician = …, reading = … with --map",
    )
