"""Duplicates, conflicts and made ids: what is settled on the cells as they stand, before any value is judged."""

from __future__ import annotations

from dataclasses import dataclass, replace

import polars as pl

from analysis.intake.convert import Converted
from analysis.intake.mapping import MADE_IDS, TableMap
from analysis.intake.raw import ROW, RawTable
from analysis.intake.words import as_text

PLACE = "__place__"
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
MADE_FROM = {"sessions": ("bike_id", "brake", "started_at"), "comebacks": ("bike_id", "brake", "returned_at")}


@dataclass(frozen=True)
class Part:
    """One file as one table: as it stands, its map, and what was read of it."""

    raw: RawTable
    table_map: TableMap
    read: Converted

    @property
    def heading_of(self) -> dict[str, str]:
        mapped = {column.field: column.heading for column in self.table_map.columns}
        return mapped | {f"own.{column.name}": column.heading for column in self.table_map.own}


@dataclass(frozen=True)
class Gathered:
    """All files of one table, one row a row, in the order given.

    `frame` has PLACE (number of the part), ROW and the fields read; `faults` what could not be read, with PLACE. The cells
    as they stood, in the same order, stay with the parts.
    """

    table: str
    parts: tuple[Part, ...]
    frame: pl.DataFrame
    faults: pl.DataFrame

    @property
    def fields(self) -> list[str]:
        """What any part was mapped to."""
        return list(dict.fromkeys(name for part in self.parts for name in part.read.cells.columns))

    def texts(self, field: str) -> pl.Series:
        """The cells of a field as text, as they stood; empty where a part has none."""
        every = [part.read.cells for part in self.parts]
        return pl.concat(
            as_text(cells.get_column(field))
            if field in cells.columns
            else pl.repeat(None, cells.height, dtype=pl.String, eager=True)
            for cells in every
        )


@dataclass(frozen=True)
class Settled:
    """Rows left to judge, and the places in `Gathered.frame` of copies and of ids with two contents (masks)."""

    gathered: Gathered
    copies: pl.Series
    conflicts: pl.Series

    @property
    def left(self) -> pl.Series:
        return ~(self.copies | self.conflicts)


def gathered(table: str, parts: tuple[Part, ...]) -> Gathered:
    """The files of one table one below the other; a field that a file lacks is empty there."""
    frames = [part.read.frame.select(pl.lit(i, pl.Int64).alias(PLACE), pl.all()) for i, part in enumerate(parts)]
    faults = [part.read.faults.select(pl.lit(i, pl.Int64).alias(PLACE), pl.all()) for i, part in enumerate(parts)]
    scattered = len(parts) > _MANY_PARTS
    both = (pl.concat(each, how="diagonal_relaxed", rechunk=scattered) for each in (frames, faults))
    return Gathered(table, parts, *both)


def settled(found: Gathered) -> Settled:
    """Exact copies (the first stays), then ids with two contents; ids are made where no column of a file holds them."""
    copies = ~_first_of_its_kind(found) if found.fields else pl.repeat(False, found.frame.height, eager=True)
    found = _with_made_ids(found, ~copies)
    return Settled(found, copies.alias("copy"), _conflicts(found, copies).alias("conflict"))


def _first_of_its_kind(found: Gathered) -> pl.Series:
    """Where each distinct row stands first; rows are compared whole, as text, only where their hashes meet."""
    meeting = _hashes(found).is_duplicated()
    first = pl.repeat(True, found.frame.height, dtype=pl.Boolean, eager=True)
    if not meeting.any():
        return first
    places = meeting.arg_true()
    rows = [found.texts(name).gather(places).alias(name) for name in found.fields]
    return first.scatter(places, pl.select(pl.struct(rows).is_first_distinct()).to_series())


def _hashes(found: Gathered) -> pl.Series:
    """A number a row, the same for rows that say the same; of typed cells where a field has one type in all parts."""
    parts = [part.read.cells for part in found.parts]
    kinds = {(name, kind) for cells in parts for name, kind in cells.schema.items()}
    if len(kinds) == len(found.fields):
        return pl.concat(parts, how="diagonal").hash_rows(seed=7)
    return pl.DataFrame([found.texts(name).alias(name) for name in found.fields]).hash_rows(seed=7)


def _with_made_ids(found: Gathered, kept: pl.Series) -> Gathered:
    made = MADE_IDS.get(found.table)
    if made is None:
        return found
    lacking = [i for i, part in enumerate(found.parts) if made not in part.heading_of]
    if not lacking:
        return found
    frame = found.frame
    pieces = [frame.get_column(name) for name in MADE_FROM[found.table] if name in frame.columns]
    text = pl.concat_str(
        [pl.lit(p.dt.strftime("%Y%m%dT%H%M")) if p.dtype == pl.Datetime else pl.lit(p) for p in pieces],
        separator="-",
        ignore_nulls=True,
    )
    made_here = pl.col(PLACE).is_in(lacking)
    known = pl.col(made) if made in frame.columns else pl.lit(None, pl.String)
    frame = frame.with_columns(pl.when(made_here).then(text).otherwise(known).alias(made), kept=kept)
    number = pl.col("kept").cum_sum().over(made)
    several = (pl.col("kept").sum().over(made) > 1) & made_here & pl.col("kept")
    numbered = pl.concat_str(pl.col(made), pl.lit("-"), number.cast(pl.String))
    frame = frame.with_columns(pl.when(several).then(numbered).otherwise(pl.col(made)).alias(made)).drop("kept")
    return replace(found, frame=frame)


def _conflicts(found: Gathered, copies: pl.Series) -> pl.Series:
    keys = [key for key in ID_KEYS[found.table] if key in found.frame.columns]
    nothing = pl.repeat(False, found.frame.height, eager=True)
    if not keys:
        return nothing
    ids = found.frame.select(keys).with_columns(copy=copies)
    told = pl.all_horizontal(pl.col(keys).is_not_null()) & ~pl.col("copy")
    twice = told & (told.sum().over(keys) > 1)
    return ids.select(twice.fill_null(False)).to_series()


__all__ = ["ID_KEYS", "PLACE", "ROW", "Gathered", "Part", "Settled", "gathered", "settled"]
