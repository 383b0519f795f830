"""Words into levels and yes/no: the log's own words, and the foreign ones that a map names."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import polars as pl

from analysis.intake.convert.cleaned_text import FALSE, TRUE, as_text, missing_words, normalise_level

LEVEL_FAULT, YES_NO_FAULT = "unknown_level", "unreadable"
WordLevels = Mapping[str, str]
"""The level of each word, as `squeezed` spells it; "" is an empty cell."""


def level_lookup(levels: Iterable[str], foreign: Mapping[str, Iterable[str]]) -> WordLevels:
    """The level of each word: the levels' own names, and the map's words, which win."""
    own = {normalise_level(level): level for level in levels}
    return own | {normalise_level(word): level for level, words in foreign.items() for word in words}


def yes_no_lookup(foreign: Mapping[str, Iterable[str]]) -> WordLevels:
    """`true` or `false` for each word of the log and of the map, which wins."""
    return {**level_lookup((), {"true": TRUE, "false": FALSE}), **level_lookup((), foreign)}


def map_categories(cells: pl.Series, words: WordLevels, missing: Iterable[str] = ()) -> pl.Series:
    """The level of each cell, looked up once for each distinct text; null where nothing is recorded or known.

    A word that the map gives to a level is that level, even where it would else mean that nothing was recorded.
    """
    text = as_text(cells)
    if "" in words:
        text = text.fill_null("")
    empty = {word for word in missing_words(missing) if normalise_level(word) not in words}
    known = {
        cell: words[key]
        for cell in text.unique().to_list()
        if cell is not None and cell.strip().casefold() not in empty and (key := _key(cell)) in words
    }
    return text.replace_strict(known, default=None, return_dtype=pl.String)


def _key(cell: str) -> str:
    """A cell as words are compared; 1.0 is 1."""
    bare = cell.strip()
    return normalise_level(bare[:-2] if bare in ("0.0", "1.0") else bare)
