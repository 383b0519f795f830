"""What each technician wrote of a reading: the distinct values, how often, and where first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.people.finding import EXAMPLES, READINGS


@dataclass(frozen=True)
class RecordedValues:
    """Each technician's distinct values of one reading, one entry a value: whose (a place in `technicians`, in the order they come
    in), how often, and the first `rows` that hold it, of those where it is recorded (`session_id`)."""

    technicians: list[str]
    technician_index: NDArray[np.int64]
    reading: NDArray[np.float64]
    counts: NDArray[np.int64]
    rows: pl.Series = field(repr=False)
    session_id: pl.Series = field(repr=False)

    def entry_counts(self) -> NDArray[np.int64]:
        """How many readings each technician wrote."""
        return np.bincount(self.technician_index, self.counts, len(self.technicians)).astype(np.int64)

    def examples(self, entries: NDArray[np.intp]) -> tuple[str, ...]:
        """The first bleeds with any of these values."""
        rows = sorted(row for rows in self.rows.gather(entries).to_list() for row in rows)[:EXAMPLES]
        return tuple(self.session_id.gather(rows).to_list())


def recorded_values(bleeds: pl.DataFrame, readings: Sequence[str] = READINGS) -> dict[str, RecordedValues]:
    """What was written, by reading.

    Parameters
    ----------
    bleeds
        One row a bleed: technician, session_id and the readings.
    readings
        Columns of numbers.
    """
    bleeds = bleeds.select(pl.col("technician").cast(pl.Categorical), "session_id", *readings)
    return {name: _recorded_values(bleeds, name) for name in readings}


def _recorded_values(bleeds: pl.DataFrame, name: str) -> RecordedValues:
    known = bleeds.select("technician", "session_id", reading=name).drop_nulls("reading")
    value_rows = (
        known.with_row_index("row")
        .group_by("technician", "reading", maintain_order=True)
        .agg(times=pl.len().cast(pl.Int64), rows=pl.col("row").head(EXAMPLES))
    )
    names = [str(name) for name in value_rows.get_column("technician").to_list()]
    places = {name: place for place, name in enumerate(dict.fromkeys(names))}
    return RecordedValues(
        technicians=list(places),
        technician_index=np.array([places[name] for name in names], dtype=np.int64),
        reading=value_rows.get_column("reading").cast(pl.Float64).to_numpy(),
        counts=value_rows.get_column("times").to_numpy(),
        rows=value_rows.get_column("rows"),
        session_id=known.get_column("session_id"),
    )
