"""The rows of a file that do not parse."""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from analysis.intake.raw import ROW


def broken_rows(rows: Iterable[tuple[int, str, str]] = ()) -> pl.DataFrame:
    """A RawTable's `broken`: row, the line as it stood, why it is no row."""
    return pl.DataFrame(list(rows), schema={ROW: pl.Int64, "text": pl.String, "why": pl.String}, orient="row")
