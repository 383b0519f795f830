"""Duplicate rows, conflicting and generated IDs, decided on the cells as they are; and names that are almost the same.

Similar names are reported, never merged unasked.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from analysis.intake.convert.cleaned_text import as_text, folded
from analysis.intake.convert.columns import ConvertedTable
from analysis.intake.mapping.table_map import GENERATED_IDS, TableMap
from analysis.intake.readers.raw_table import RawTable

ROW_INDEX = "__place__"
"""Column with the number of the file a row comes from."""
ID_KEYS: dict[str, tuple[str, ...]] = {
    "sessions": ("session_id",),
    "comebacks": ("comeback_id",),
    "passes": ("session_id", "pass_no"),
    "technicians": ("technician",),
    "brakes": ("brake_model",),
    "actions": ("action_id",),
    "coaching": (),
    "measures": (),
    "readings": ("item", "technician", "repeat"),
}
SORTED_BY = ID_KEYS | {
    "coaching": ("technician", "coached_on", "step"),
    "measures": ("began_on", "what", "shop"),
    "links": ("comeback_id",),
    "intake": ("file", "table"),
    "set_aside": ("file", "table", "row", "column", "rule"),
}
"""Order of every table of a `Log`."""
ID_FIELDS = {
    "sessions": ("bike_id", "brake", "started_at"),
    "comebacks": ("bike_id", "brake", "returned_at"),
    "actions": ("kind", "session_id", "bike_id", "brake", "done_on"),
}
"""Fields from which an ID is generated where a file has no column for it."""
_MANY_FILES = 100
"""From this many files on, the combined table is copied into one piece of memory: with thousands of pieces every later
step takes longer than the copy."""
TABLES_WITH_NAMES = ("sessions", "technicians", "coaching")
MAX_WARNINGS = 10


@dataclass(frozen=True)
class MappedTable:
    """One file of a table: its cells, its map, and what was read from it.

    `bleeds_file` is the file of bleeds in whose rows these returns are written, "" for a file of its own.
    """

    raw: RawTable
    table_map: TableMap
    converted: ConvertedTable
    bleeds_file: str = ""

    @property
    def heading_of(self) -> dict[str, str]:
        mapped = {column.field: column.heading for column in self.table_map.columns}
        return mapped | {f"own.{column.name}": column.heading for column in self.table_map.own}


@dataclass(frozen=True)
class CombinedTable:
    """All files of one table, one below the other in the order given.

    `frame` has ROW_INDEX (number of the file), ROW and the fields read; `faults` are the cells that could not be read,
    with ROW_INDEX. The original cells stay with the parts, in the same order.
    """

    table: str
    parts: tuple[MappedTable, ...]
    frame: pl.DataFrame
    faults: pl.DataFrame

    @property
    def fields(self) -> list[str]:
        """Fields that at least one file has."""
        return list(dict.fromkeys(name for part in self.parts for name in part.converted.cells.columns))

    def texts(self, field: str) -> pl.Series:
        """The original cells of a field as text; empty where a file does not have it."""
        cells_of_parts = [part.converted.cells for part in self.parts]
        return pl.concat(
            as_text(cells.get_column(field))
            if field in cells.columns
            else pl.repeat(None, cells.height, dtype=pl.String, eager=True)
            for cells in cells_of_parts
        )


@dataclass(frozen=True)
class DeduplicatedTable:
    """A table with masks over the rows of `combined.frame`: duplicates, and IDs shared by different rows."""

    combined: CombinedTable
    copies: pl.Series
    conflicts: pl.Series

    @property
    def remaining(self) -> pl.Series:
        return ~(self.copies | self.conflicts)


def combine_files(table: str, parts: tuple[MappedTable, ...]) -> CombinedTable:
    """Stack the files of one table; a field that a file does not have is empty there."""
    frames = _stack([part.converted.frame for part in parts])
    faults = _stack([part.converted.faults for part in parts])
    return CombinedTable(table, parts, frames, faults)


def _stack(frames: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """The rows of all frames, the position of their frame in ROW_INDEX."""
    stacked = pl.concat(frames, how="diagonal_relaxed", rechunk=len(frames) > _MANY_FILES)
    index = np.repeat(np.arange(len(frames)), [frame.height for frame in frames])
    return stacked.select(pl.Series(ROW_INDEX, index, dtype=pl.Int64), pl.all())


def deduplicate(combined: CombinedTable) -> DeduplicatedTable:
    """Mark duplicates (the first row is kept) and conflicting IDs; generate IDs for files without a column for them."""
    copies = ~_is_first_occurrence(combined) if combined.fields else pl.repeat(False, combined.frame.height, eager=True)
    combined = _add_generated_ids(combined, ~copies)
    return DeduplicatedTable(combined, copies.alias("copy"), _has_conflicting_id(combined, copies).alias("conflict"))


def _is_first_occurrence(combined: CombinedTable) -> pl.Series:
    """Whether a row is the first of its content; only rows with equal hashes are compared in full, as text."""
    equal_hash = _row_hashes(combined).is_duplicated()
    first = pl.repeat(True, combined.frame.height, dtype=pl.Boolean, eager=True)
    if not equal_hash.any():
        return first
    indices = equal_hash.arg_true()
    rows = [combined.texts(name).gather(indices).alias(name) for name in combined.fields]
    return first.scatter(indices, pl.select(pl.struct(rows).is_first_distinct()).to_series())


def _row_hashes(combined: CombinedTable) -> pl.Series:
    """One hash per row: of typed cells if every field has the same type in all files, else of the cells as text."""
    parts = [part.converted.cells for part in combined.parts]
    types = {(name, dtype) for cells in parts for name, dtype in cells.schema.items()}
    if len(types) == len(combined.fields):
        return pl.concat(parts, how="diagonal").hash_rows(seed=7)
    return pl.DataFrame([combined.texts(name).alias(name) for name in combined.fields]).hash_rows(seed=7)


def _add_generated_ids(combined: CombinedTable, is_first: pl.Series) -> CombinedTable:
    """Build IDs from bike, brake and time; equal ones are numbered in the order of the rows."""
    id_field = GENERATED_IDS.get(combined.table)
    files_without = [i for i, part in enumerate(combined.parts) if id_field and id_field not in part.heading_of]
    if id_field is None or not files_without:
        return combined
    frame = combined.frame
    pieces = [frame.get_column(name) for name in ID_FIELDS[combined.table] if name in frame.columns]
    text = pl.concat_str(
        [pl.lit(p.dt.strftime("%Y%m%dT%H%M")) if p.dtype == pl.Datetime else pl.lit(p) for p in pieces],
        separator="-",
        ignore_nulls=True,
    )
    generate = pl.col(ROW_INDEX).is_in(files_without)
    from_file = pl.col(id_field) if id_field in frame.columns else pl.lit(None, pl.String)
    frame = frame.with_columns(pl.when(generate).then(text).otherwise(from_file).alias(id_field), is_first=is_first)
    number = pl.col("is_first").cum_sum().over(id_field)
    several = (pl.col("is_first").sum().over(id_field) > 1) & generate & pl.col("is_first")
    numbered = pl.concat_str(pl.col(id_field), pl.lit("-"), number.cast(pl.String))
    frame = frame.with_columns(pl.when(several).then(numbered).otherwise(pl.col(id_field)).alias(id_field))
    return replace(combined, frame=frame.drop("is_first"))


def _has_conflicting_id(combined: CombinedTable, copies: pl.Series) -> pl.Series:
    keys = [key for key in ID_KEYS[combined.table] if key in combined.frame.columns]
    if not keys:
        return pl.repeat(False, combined.frame.height, eager=True)
    ids = combined.frame.select(keys).with_columns(copy=copies)
    has_keys = pl.all_horizontal(pl.col(keys).is_not_null()) & ~pl.col("copy")
    repeated = has_keys & (has_keys.sum().over(keys) > 1)
    return ids.select(repeated.fill_null(False)).to_series()


def similar_name_warnings(tables: Mapping[str, pl.DataFrame]) -> list[str]:
    """One warning for each group of names that may be one person, with the lines of the map that would merge them.

    `tables` are those of the log by name, accepted rows only.
    """
    bleeds = dict(tables["sessions"].get_column("technician").value_counts().iter_rows())
    names = {
        str(name)
        for table in TABLES_WITH_NAMES
        for name in tables[table].get_column("technician").drop_nulls().unique()
    }
    groups: dict[str, list[str]] = {}
    for name in sorted(names, key=lambda name: (-bleeds.get(name, 0), name)):
        key = "".join(letter for letter in folded(name) if letter.isalnum())
        if key:
            groups.setdefault(key, []).append(name)
    similar = [group for group in groups.values() if len(group) > 1]
    warnings = [_similar_names_warning(group, bleeds, tables) for group in similar[:MAX_WARNINGS]]
    more = len(similar) - MAX_WARNINGS
    return [*warnings, *([f"{more} more groups of similar names"] if more > 0 else [])]


def _similar_names_warning(group: list[str], bleeds: dict[str, int], tables: Mapping[str, pl.DataFrame]) -> str:
    spellings = ", ".join(f"{name!r} ({_bleed_count_text(bleeds.get(name, 0))})" for name in group)
    first, others = json.dumps(group[0], ensure_ascii=False), json.dumps(group[1:], ensure_ascii=False)
    sections = " and ".join(
        f"[{name}.values.technician]" for name in TABLES_WITH_NAMES if _has_other_spelling(tables[name], group)
    )
    return (
        f"the technicians {spellings} differ only in capitals, spaces, accents or punctuation; they are counted as "
        f"different people. If they are one person, write in the map under {sections}: {first} = {others}"
    )


def _bleed_count_text(n: int) -> str:
    return f"{n:,} bleed" + ("" if n == 1 else "s")


def _has_other_spelling(table: pl.DataFrame, group: list[str]) -> bool:
    """Whether a table has one of the other spellings."""
    return bool(table.get_column("technician").is_in(group[1:]).any())
