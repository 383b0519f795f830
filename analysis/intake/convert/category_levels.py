"""Convert words to levels and to true and false, by the log's words and those of the map."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import polars as pl

from analysis.intake.convert.cleaned_text import FALSE, TRUE, as_text, missing_words, normalise_level

LEVEL_FAULT, SCOPE_FAULT, YES_NO_FAULT = "unknown_level", "out_of_scope", "unreadable"
WordLevels = Mapping[str, str]
"""The level of each word, spelled as by `normalise_level`; "" is an empty cell."""


def level_lookup(levels: Iterable[str], map_words: Mapping[str, Iterable[str]]) -> WordLevels:
    """The level of each word: the names of the levels, and the words of the map, which take precedence."""
    names = {normalise_level(level): level for level in levels}
    return names | {normalise_level(word): level for level, words in map_words.items() for word in words}


def yes_no_lookup(map_words: Mapping[str, Iterable[str]]) -> WordLevels:
    """`true` or `false` for each word: the log's words, and those of the map, which take precedence."""
    return {**level_lookup((), {"true": TRUE, "false": FALSE}), **level_lookup((), map_words)}


def map_categories(cells: pl.Series, words: WordLevels, missing: Iterable[str] = ()) -> pl.Series:
    """The level of each cell; null if it is missing or unknown.

    A word that the map gives to a level is that level, even if it otherwise means a missing value.
    """
    text = as_text(cells)
    if "" in words:
        text = text.fill_null("")
    missing_cells = {word for word in missing_words(missing) if normalise_level(word) not in words}
    level_of_cell = {
        cell: words[key]
        for cell in text.unique().to_list()
        if cell is not None and cell.strip().casefold() not in missing_cells and (key := _key(cell)) in words
    }
    return text.replace_strict(level_of_cell, default=None, return_dtype=pl.String)


def _key(cell: str) -> str:
    """A cell as words are compared; 1.0 is 1."""
    text = cell.strip()
    return normalise_level(text[:-2] if text in ("0.0", "1.0") else text)
