"""Text values as level codes, and sums by level."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

MAX_LEVELS = 300
"""Levels of a category with a column of their own in a model; the others are taken as average. A ridge leaves little of
a level with few rows, and time grows with the cube of the columns."""


def level_codes(values: pl.Series) -> NDArray[np.int64]:
    """Code each value by its position among the sorted distinct values, from 0; an empty cell is a level, the first."""
    levels = values.unique().sort().to_frame("level").with_row_index("code")
    coded = values.to_frame("level").join(levels, on="level", how="left", nulls_equal=True, maintain_order="left")
    return coded.get_column("code").to_numpy().astype(np.int64)


def frequent_codes(codes: NDArray[np.int64]) -> NDArray[np.int64]:
    """The codes of the levels that get a column in a model, in order: at most `MAX_LEVELS`, those with most rows."""
    counts = np.bincount(codes)
    return np.sort(np.argsort(-counts, kind="stable")[:MAX_LEVELS])


def sum_by_level(levels: pl.Series, values: NDArray[np.floating]) -> pl.DataFrame:
    """Sum values within each level, always in row order.

    polars sums in the order its threads finish, so that the last digit would change from run to run.

    Parameters
    ----------
    levels
        One per row; an empty cell is a level.
    values
        One per row.

    Returns
    -------
    pl.DataFrame
        One row per level, sorted: the levels under their own name, and `sum`.
    """
    distinct = levels.unique().sort()
    return pl.DataFrame({levels.name: distinct, "sum": np.bincount(level_codes(levels), values, len(distinct))})
