"""Duplicates, conflicts and made ids: what is settled on the cells as they stand, before any value is judged."""

from __future__ import annotations

from dataclasses import dataclass, replace

import polars as pl

from analysis.intake.convert.cleaned_text import as_text
from analysis.intake.convert.columns import ConvertedTable
from analysis.intake.mapping.mapping import GENERATED_IDS, TableMap
from analysis.intake.readers.raw_table import ROW, RawTable

ROW_INDEX = "__place__"
ID_KEYS: dict[str, tuple[str, ...]] = {
    "sessions": ("session_id",),
    "comebacks": ("comeback_id",),
    "passes": ("session_id", "pass_no"),
    "technicians": ("technician",),
    "brakes": ("brake_model",),
    "coaching": (),
    "readings": ("item", "technician", "repeat"),
}
_MANY_PARTS = 100
"""More pieces of memory than this slow every step down more than copying them into one does."""
ID_FIELDS = {"sessions": ("bike_id", "brake", "started_at"), "comebacks": ("bike_id", "brake", "returned_at")}


@dataclass(frozen=True)
class FilePart:
    """One file as one table: as it stands, its map, and what was read of it."""

    raw: RawTable
    table_map: TableMap
    converted: ConvertedTable

    @property
    def heading_of(self) -> dict[str, str]:
        mapped = {column.field: column.heading for column in self.table_map.columns}
        return mapped | {f"own.{column.name}": column.heading for column in self.table_map.own}


@dataclass(frozen=True)
class CombinedTable:
    """All files of one table, one row a row, in the order given.

    `frame` has PLACE (number of the part), ROW and the fields read; `faults` what could not be read, with PLACE. The cells
    as they stood, in the same order, stay with the parts.
    """

    table: str
    parts: tuple[FilePart, ...]
    frame: pl.DataFrame
    faults: pl.DataFrame

    @property
    def fields(self) -> list[str]:
        """What any part was mapped to."""
        return list(dict.fromkeys(name for part in self.parts for name in part.converted.cells.columns))

    def texts(self, field: str) -> pl.Series:
        """The cells of a field as text, as they stood; empty where a part has none."""
        every = [part.converted.cells for part in self.parts]
        return pl.concat(
            as_text(cells.get_column(field))
            if field in cells.columns
            else pl.repeat(None, cells.height, dtype=pl.String, eager=True)
            for cells in every
        )


@dataclass(frozen=True)
class Deduplicated:
    """Rows left to judge, and the places in `CombinedTable.frame` of copies and of ids with two contents (masks)."""

    combined: CombinedTable
    copies: pl.Series
    conflicts: pl.Series

    @property
    def remaining(self) -> pl.Series:
        return ~(self.copies | self.conflicts)


def combine_files(table: str, parts: tuple[FilePart, ...]) -> CombinedTable:
    """The files of one table one below the other; a field that a file lacks is empty there."""
    frames = [
        part.converted.frame.select(pl.lit(i, pl.Int64).alias(ROW_INDEX), pl.all()) for i, part in enumerate(parts)
    ]
    faults = [
        part.converted.faults.select(pl.lit(i, pl.Int64).alias(ROW_INDEX), pl.all()) for i, part in enumerate(parts)
    ]
    scattered = len(parts) > _MANY_PARTS
    both = (pl.concat(each, how="diagonal_relaxed", rechunk=scattered) for each in (frames, faults))
    return CombinedTable(table, parts, *both)


def deduplicated(combined: CombinedTable) -> Deduplicated:
    """Exact copies (the first stays), then ids with two contents; ids are made where no column of a file holds them."""
    copies = ~_first_copies(combined) if combined.fields else pl.repeat(False, combined.frame.height, eager=True)
    combined = _with_generated_ids(combined, ~copies)
    return Deduplicated(combined, copies.alias("copy"), _conflicts(combined, copies).alias("conflict"))


def _first_copies(combined: CombinedTable) -> pl.Series:
    """Where each distinct row stands first; rows are compared whole, as text, only where their hashes meet."""
    meeting = _hashes(combined).is_duplicated()
    first = pl.repeat(True, combined.frame.height, dtype=pl.Boolean, eager=True)
    if not meeting.any():
        return first
    places = meeting.arg_true()
    rows = [combined.texts(name).gather(places).alias(name) for name in combined.fields]
    return first.scatter(places, pl.select(pl.struct(rows).is_first_distinct()).to_series())


def _hashes(combined: CombinedTable) -> pl.Series:
    """A number a row, the same for rows that say the same; of typed cells where a field has one type in all parts."""
    parts = [part.converted.cells for part in combined.parts]
    kinds = {(name, kind) for cells in parts for name, kind in cells.schema.items()}
    if len(kinds) == len(combined.fields):
        return pl.concat(parts, how="diagonal").hash_rows(seed=7)
    return pl.DataFrame([combined.texts(name).alias(name) for name in combined.fields]).hash_rows(seed=7)


def _with_generated_ids(combined: CombinedTable, first_copies: pl.Series) -> CombinedTable:
    id_field = GENERATED_IDS.get(combined.table)
    if id_field is None:
        return combined
    lacking = [i for i, part in enumerate(combined.parts) if id_field not in part.heading_of]
    if not lacking:
        return combined
    frame = combined.frame
    pieces = [frame.get_column(name) for name in ID_FIELDS[combined.table] if name in frame.columns]
    text = pl.concat_str(
        [pl.lit(p.dt.strftime("%Y%m%dT%H%M")) if p.dtype == pl.Datetime else pl.lit(p) for p in pieces],
        separator="-",
        ignore_nulls=True,
    )
    made_here = pl.col(ROW_INDEX).is_in(lacking)
    known = pl.col(id_field) if id_field in frame.columns else pl.lit(None, pl.String)
    frame = frame.with_columns(pl.when(made_here).then(text).otherwise(known).alias(id_field), kept=first_copies)
    number = pl.col("kept").cum_sum().over(id_field)
    several = (pl.col("kept").sum().over(id_field) > 1) & made_here & pl.col("kept")
    numbered = pl.concat_str(pl.col(id_field), pl.lit("-"), number.cast(pl.String))
    frame = frame.with_columns(pl.when(several).then(numbered).otherwise(pl.col(id_field)).alias(id_field)).drop("kept")
    return replace(combined, frame=frame)


def _conflicts(combined: CombinedTable, copies: pl.Series) -> pl.Series:
    keys = [key for key in ID_KEYS[combined.table] if key in combined.frame.columns]
    nothing = pl.repeat(False, combined.frame.height, eager=True)
    if not keys:
        return nothing
    ids = combined.frame.select(keys).with_columns(copy=copies)
    has_keys = pl.all_horizontal(pl.col(keys).is_not_null()) & ~pl.col("copy")
    twice = has_keys & (has_keys.sum().over(keys) > 1)
    return ids.select(twice.fill_null(False)).to_series()


__all__ = ["ID_KEYS", "ROW", "ROW_INDEX", "CombinedTable", "Deduplicated", "FilePart", "combine_files", "deduplicated"]
