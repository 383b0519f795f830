"""What each technician recorded, by field, and the findings of tests on how it was recorded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from schemas import field_entries
from schemas.log import Sessions

MIN_ENTRIES, EXAMPLES = 30, 3
CLEAR_RATIO = 1.5
"""A habit counts only where it is clearly more common than among peers on the same field."""
READINGS = tuple(
    entry.name
    for entry in field_entries("sessions", Sessions)
    if entry.type == "number" and entry.role in ("technique", "sign")
)


@dataclass(frozen=True)
class EntryFinding:
    """One test of one technician's entries; `examples` are bleeds to look at."""

    technician: str
    test: str
    field: str
    n: int
    statistic: float
    p_value: float
    examples: tuple[str, ...] = ()


def example_bleeds(rows: pl.DataFrame) -> tuple[str, ...]:
    """The first few of these bleeds, as examples."""
    return tuple(rows.get_column("session_id").head(EXAMPLES).to_list())


@dataclass(frozen=True)
class RecordedValues:
    """Each technician's distinct values of one reading, one entry per technician and value.

    `technician_index` is an index into `technicians`, `counts` how often the value was recorded, and `rows` the first
    bleeds with it, as indices into `session_id`.
    """

    technicians: list[str]
    technician_index: NDArray[np.int64]
    reading: NDArray[np.float64]
    counts: NDArray[np.int64]
    rows: pl.Series = field(repr=False)
    session_id: pl.Series = field(repr=False)

    @cached_property
    def entry_counts(self) -> NDArray[np.int64]:
        """How many readings each technician recorded."""
        return np.bincount(self.technician_index, self.counts, len(self.technicians)).astype(np.int64)

    @cached_property
    def values_by_technician(self) -> list[NDArray[np.intp]]:
        """Each technician's entries, as indices."""
        sizes = np.bincount(self.technician_index, minlength=len(self.technicians))
        parts = np.split(np.argsort(self.technician_index, kind="stable"), np.cumsum(sizes)[:-1])
        return parts[: len(self.technicians)]

    def examples(self, entries: NDArray[np.intp]) -> tuple[str, ...]:
        """The first bleeds with any of these values."""
        rows = sorted(row for rows in self.rows.gather(entries).to_list() for row in rows)[:EXAMPLES]
        return tuple(self.session_id.gather(rows).to_list())


def recorded_values(bleeds: pl.DataFrame, readings: Sequence[str] = READINGS) -> dict[str, RecordedValues]:
    """What was recorded, by reading.

    Parameters
    ----------
    bleeds
        One row per bleed: technician, session_id and the readings.
    readings
        Columns of numbers.
    """
    bleeds = bleeds.select(pl.col("technician").cast(pl.Categorical), "session_id", *readings)
    return {name: _values_of_reading(bleeds, name) for name in readings}


def _values_of_reading(bleeds: pl.DataFrame, name: str) -> RecordedValues:
    recorded = bleeds.select("technician", "session_id", reading=name).drop_nulls("reading")
    values = (
        recorded.with_row_index("row")
        .group_by("technician", "reading", maintain_order=True)
        .agg(times=pl.len().cast(pl.Int64), rows=pl.col("row").head(EXAMPLES))
    )
    names = [str(name) for name in values.get_column("technician").to_list()]
    indices = {name: i for i, name in enumerate(dict.fromkeys(names))}
    return RecordedValues(
        technicians=list(indices),
        technician_index=np.array([indices[name] for name in names], dtype=np.int64),
        reading=values.get_column("reading").cast(pl.Float64).to_numpy(),
        counts=values.get_column("times").to_numpy(),
        rows=values.get_column("rows"),
        session_id=recorded.get_column("session_id"),
    )
