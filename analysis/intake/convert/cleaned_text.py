"""Words that every export may use: for nothing recorded, for yes and no, and how words are compared."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable

import polars as pl

MISSING = ("", "-", "–", "n/a", "na", "n.r.", "k.a.", "null", "none", "nan")
TRUE = ("true", "yes", "y", "1")
_FEW = 100
"""Cells that are looked at one by one sooner than polars is started."""
FALSE = ("false", "no", "n", "0")


def normalise(text: str) -> str:
    """A heading or level as it is compared: whatever the case, outer space, or space or hyphen for underscore."""
    return re.sub(r"[\s_-]+", "_", unicodedata.normalize("NFC", text).strip().casefold())


def normalise_level(text: str) -> str:
    """A level as it is compared: like `normalise`, with the joints left out (DOT 5.1 is dot5.1)."""
    return normalise(text).replace("_", "") or normalise(text)


def missing_words(more: Iterable[str] = ()) -> frozenset[str]:
    """The words for *not recorded*, the map's own among them, as `is_missing` compares them."""
    return frozenset([*MISSING, *(word.strip().casefold() for word in more)])


def recorded_text(cells: pl.Series, missing: Iterable[str] = ()) -> pl.Series:
    """The cells as text without outer space; null where they say that nothing was recorded."""
    text, words = as_text(cells).str.strip_chars(), missing_words(missing)
    if len(text) <= _FEW:
        cleaned = [None if cell is None or cell.casefold().removesuffix(".0") in words else cell for cell in text]
        return pl.Series(cells.name, cleaned, dtype=pl.String)
    cell, longest = pl.col("cell"), max(len(word.encode()) + 4 for word in words)
    beyond_ascii = (cell.str.len_bytes() <= longest) & (cell.str.len_bytes() != cell.str.len_chars())
    foreign = text.to_frame("cell").lazy().filter(beyond_ascii).unique().collect().to_series()
    empty = [word for word in foreign.to_list() if word.casefold().removesuffix(".0") in words]
    says_missing = cell.str.to_lowercase().str.strip_suffix(".0").is_in(list(words)) & ~beyond_ascii | cell.is_in(empty)
    return (
        text.to_frame("cell").lazy().select(pl.when(~says_missing).then("cell").alias(cells.name)).collect().to_series()
    )


def as_text(cells: pl.Series) -> pl.Series:
    """Cells of any type as text, whole numbers without a decimal point."""
    if cells.dtype == pl.String:
        return cells
    text = cells.cast(pl.String, strict=False)
    if cells.dtype.is_float() and bool((cells.is_null() | (cells == cells.round())).all()):
        return cells.cast(pl.Int64, strict=False).cast(pl.String).fill_null(text)  # 1e300 and infinity fit no Int64
    return text


def apply_to_unique(cells: pl.Series, function: Callable[[pl.Series], pl.DataFrame]) -> pl.DataFrame:
    """What `function` makes of each text, worked out once for each distinct one."""
    distinct = cells.unique()
    if 2 * len(distinct) > len(cells):
        return function(cells)
    answers = function(distinct).with_columns(distinct.alias("__text__"))
    texts = cells.to_frame("__text__")
    return texts.join(answers, on="__text__", how="left", maintain_order="left", nulls_equal=True).drop("__text__")
