"""Words as numbers: which of the distinct ones each is."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray


def level_codes(words: pl.Series) -> NDArray[np.int64]:
    """Each word's place among the distinct ones in their order, from 0; an empty cell is a word of its own, the first."""
    distinct = words.unique().sort().to_frame("word").with_row_index("place")
    placed = words.to_frame("word").join(distinct, on="word", how="left", nulls_equal=True, maintain_order="left")
    return placed.get_column("place").to_numpy().astype(np.int64)


def sum_by_level(words: pl.Series, values: NDArray[np.floating]) -> pl.DataFrame:
    """Values summed within each distinct word, row after row, so that a sum is the same every time.

    Threads of polars sum in the order they end in: the last digit changes from run to run.

    Parameters
    ----------
    words
        One a row; an empty cell is a word of its own.
    values
        One a row, in whatever unit.

    Returns
    -------
    pl.DataFrame
        A row a word, in their order: the words under their own name, and `sum`.
    """
    distinct = words.unique().sort()
    return pl.DataFrame({words.name: distinct, "sum": np.bincount(level_codes(words), values, len(distinct))})
