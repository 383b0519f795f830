"""What a test of how the log was written says of one technician, and what the tests share."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from schemas import dictionary
from schemas.log import Sessions

MIN_ENTRIES, EXAMPLES = 30, 3
CLEAR_RATIO = 1.5
"""A habit must be clearly more than peers' on the same field to be held against anyone."""
READINGS = tuple(
    entry.name
    for entry in dictionary("sessions", Sessions)
    if entry.type == "number" and entry.role in ("technique", "sign")
)


@dataclass(frozen=True)
class Finding:
    """One test of one technician's entries; `examples` are bleeds to look at."""

    technician: str
    test: str
    field: str
    n: int
    statistic: float
    p_value: float
    examples: tuple[str, ...] = ()


def example_bleeds(rows: pl.DataFrame) -> tuple[str, ...]:
    """A few of these bleeds to look at."""
    return tuple(rows.get_column("session_id").head(EXAMPLES).to_list())
