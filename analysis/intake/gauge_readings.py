"""The readings of a gauge study, mapped and judged like an export; every row accepted, set aside, or an exact copy."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.errors import CannotRun
from analysis.intake.account import PLACE, Gathered, Part, Settled, gathered, settled
from analysis.intake.convert import converted
from analysis.intake.fit import fitting, sections_without_a_file
from analysis.intake.log import Source
from analysis.intake.mapping import read_map
from analysis.intake.raw import RawTable
from analysis.intake.sources import raw_tables
from analysis.intake.told import set_aside_of, set_aside_table
from analysis.intake.validate import judged
from schemas import checked
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
    CannotRun
        It cannot be read, or holds no item, technician and reading.
    """
    mapping = read_map(map_path) if map_path is not None else None
    found = raw_tables([export], [section.hint() for section in mapping.sections] if mapping else [])
    fits = [fitting(raw, mapping, (TABLE,)) for raw in found.tables]
    if mapping is not None:
        sections_without_a_file(mapping, fits, found.tables, (TABLE,))
    parts = [
        Part(raw, fit.table_map, converted(raw, fit.table_map))
        for raw, fit in zip(found.tables, fits, strict=True)
        if fit.table_map is not None
    ]
    if not parts:
        raise _none_like_it(export, found.tables)
    told = _settled(gathered(TABLE, tuple(parts)))
    ruled = judged(told, None)
    warnings = [f"{raw.file}: no readings; passed over" for raw in found.tables if raw not in [p.raw for p in parts]]
    return GaugeReadings(
        readings=checked(Readings, ruled.accepted.drop(PLACE).sort("item", "technician", "repeat", "reading")),
        set_aside=set_aside_table([set_aside_of(told, ruled)]),
        sources=tuple(Source(part.raw.file, part.raw.sha256, part.raw.rows_read) for part in parts),
        warnings=tuple(warnings),
        heading=parts[0].heading_of["reading"],
        technicians=tuple(told.gathered.frame.get_column("technician").drop_nulls().unique().sort()),
    )


def _settled(found: Gathered) -> Settled:
    """Copies and conflicts among rows that say which repeat they are."""
    told = settled(found)
    if "repeat" not in found.frame.columns:
        nothing = pl.repeat(False, found.frame.height, dtype=pl.Boolean, eager=True)
        return Settled(found, nothing.alias("copy"), nothing.alias("conflict"))
    numbered = found.frame.get_column("repeat").is_not_null()
    return Settled(found, told.copies & numbered, told.conflicts & numbered)


def _none_like_it(export: str, tables: tuple[RawTable, ...]) -> CannotRun:
    seen = "; ".join(", ".join(heading[:24] for heading in raw.headings[:6]) for raw in tables[:3])
    return CannotRun(
        export,
        f"holds no readings. Its headings: {seen}",
        "one row a reading with the headings item, technician, reading (and repeat)",
        "rename them, or give a map: [readings.columns] item = …, technician = …, reading = … with --map",
    )
