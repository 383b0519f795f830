"""Text cells: words for missing values and for yes and no, and how words are compared."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable

import polars as pl

MISSING = ("", "-", "–", "n/a", "na", "n.r.", "k.a.", "null", "none", "nan")
TRUE = ("true", "yes", "y", "1")
FALSE = ("false", "no", "n", "0")


def normalise(text: str) -> str:
    """A heading as it is compared: without case and outer spaces, and with underscores for spaces and hyphens."""
    return re.sub(r"[\s_-]+", "_", unicodedata.normalize("NFC", text).strip().casefold())


def normalise_level(text: str) -> str:
    """A level as it is compared: like `normalise`, without underscores (DOT 5.1 is dot5.1)."""
    return normalise(text).replace("_", "") or normalise(text)


def missing_words(more: Iterable[str] = ()) -> frozenset[str]:
    """The words for a missing value, those of the map included, in small letters."""
    return frozenset([*MISSING, *(word.strip().casefold() for word in more)])


def recorded_text(cells: pl.Series, missing: Iterable[str] = ()) -> pl.Series:
    """The cells as text without outer spaces; null if they are empty or hold a word for a missing value."""
    text, words = as_text(cells).str.strip_chars(), missing_words(missing)
    longest = max(len(word) for word in words) + len(".0")
    short = text.filter(text.str.len_chars() <= longest).unique()
    empty = [cell for cell in short if cell is not None and cell.casefold().removesuffix(".0") in words]
    return text.replace(empty, None)


def as_text(cells: pl.Series) -> pl.Series:
    """Cells of any type as text, whole numbers without a decimal point."""
    if cells.dtype == pl.String:
        return cells
    text = cells.cast(pl.String, strict=False)
    if cells.dtype.is_float() and bool((cells.is_null() | (cells == cells.round())).all()):
        return cells.cast(pl.Int64, strict=False).cast(pl.String).fill_null(text)  # 1e300 and infinity are not Int64
    return text


def apply_to_unique(cells: pl.Series, function: Callable[[pl.Series], pl.DataFrame]) -> pl.DataFrame:
    """Apply a function to the distinct texts and return one row for each cell: most readings repeat many times."""
    distinct = cells.unique()
    results = function(distinct).with_columns(distinct.alias("__text__"))
    texts = cells.to_frame("__text__")
    return texts.join(results, on="__text__", how="left", maintain_order="left", nulls_equal=True).drop("__text__")
