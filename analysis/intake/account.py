"""Duplicates, conflicts and made ids: what is settled on the cells as they stand, before any value is judged."""

from __future__ import annotations

from dataclasses import dataclass, replace

import polars as pl

from analysis.intake.convert import Converted
from analysis.intake.mapping import MADE_IDS, TableMap
from analysis.intake.raw import ROW, RawTable

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

    `frame` has PLACE (number of the part), ROW and the fields read; `texts` the mapped cells as they stood, in the same
    order; `faults` what could not be read, with PLACE.
    """

    table: str
    parts: tuple[Part, ...]
    frame: pl.DataFrame
    texts: pl.DataFrame
    faults: pl.DataFrame


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
    texts = [part.read.texts for part in parts]
    faults = [part.read.faults.select(pl.lit(i, pl.Int64).alias(PLACE), pl.all()) for i, part in enumerate(parts)]
    return Gathered(table, parts, *(pl.concat(each, how="diagonal_relaxed") for each in (frames, texts, faults)))


def settled(found: Gathered) -> Settled:
    """Exact copies (the first stays), then ids with two contents; ids are made where no column of a file holds them."""
    copies = ~_first_of_its_kind(found.texts) if found.texts.width else pl.repeat(False, found.frame.height, eager=True)
    found = _with_made_ids(found, ~copies)
    return Settled(found, copies.alias("copy"), _conflicts(found, copies).alias("conflict"))


def _first_of_its_kind(texts: pl.DataFrame) -> pl.Series:
    """Where each distinct row stands first; rows are compared whole only where their hashes meet."""
    hashes = texts.hash_rows(seed=7)
    meeting = hashes.is_duplicated()
    first = pl.repeat(True, texts.height, dtype=pl.Boolean, eager=True)
    if not meeting.any():
        return first
    places = meeting.arg_true()
    distinct = pl.select(pl.struct(texts[places].get_columns()).is_first_distinct()).to_series()
    return first.scatter(places, distinct)


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
