"""Text cells: words for missing values and for yes and no, how words are compared, words as levels, formulas guarded."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import polars as pl

MISSING = ("", "-", "–", "n/a", "na", "n.r.", "k.a.", "null", "none", "nan")
TRUE = ("true", "yes", "y", "1")
FALSE = ("false", "no", "n", "0")
LEVEL_FAULT, SCOPE_FAULT, YES_NO_FAULT = "unknown_level", "out_of_scope", "unreadable"
FORMULA_START = r"^('*[=+\-@\t\r])"
"""The beginning of a cell that a spreadsheet would take for a formula; apostrophes before it count."""
FORMULA_INSIDE = r"""([;\t\r\n])(['"]*[=+\-@])"""
"""The same within a cell, if a spreadsheet takes this separator and ignores quotes that begin before it."""
GUARD_START, GUARD_INSIDE = FORMULA_START.replace("^", "^'"), FORMULA_INSIDE.replace(")(", ")'(")
PLAIN_NUMBER = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"
WordLevels = Mapping[str, str]
"""The level of each word, spelled as by `normalise_level`; "" is an empty cell."""


def normalise(text: str) -> str:
    """A heading as it is compared: without case and outer spaces, and with underscores for spaces and hyphens."""
    return re.sub(r"[\s_-]+", "_", unicodedata.normalize("NFC", text).strip().casefold())


def normalise_level(text: str) -> str:
    """A level as it is compared: like `normalise`, without underscores (DOT 5.1 is dot5.1)."""
    return normalise(text).replace("_", "") or normalise(text)


def folded(text: str) -> str:
    """Lower case without accents: `Bremsflüssigkeit` becomes bremsflussigkeit."""
    decomposed = unicodedata.normalize("NFKD", text.replace("ß", "ss").replace("ø", "o").casefold())
    return "".join(letter for letter in decomposed if not unicodedata.combining(letter)).strip()


def tokens(text: str) -> list[str]:
    """The words of a heading or cell, split at capitals too: `LeverTravel_mm` becomes lever, travel, mm."""
    split = re.sub(r"(?<=[a-zà-ÿ])(?=[A-Z])", " ", text)
    return re.findall(r"[^\W_]+|[✓✔☑✗✘☐#]", folded(split))


def words_for_missing_value(more: Iterable[str] = ()) -> frozenset[str]:
    """The words for a missing value, those of the map included, in small letters."""
    return frozenset([*MISSING, *(word.strip().casefold() for word in more)])


def recorded_text(cells: pl.Series, missing: Iterable[str] = ()) -> pl.Series:
    """The cells as text without outer spaces; null if they are empty or hold a word for a missing value."""
    text, words = as_text(cells).str.strip_chars(), words_for_missing_value(missing)
    longest = max(len(word) for word in words) + len(".0")
    short = text.filter(text.str.len_chars() <= longest).unique()
    empty = [cell for cell in short if cell is not None and cell.casefold().removesuffix(".0") in words]
    return text.replace(empty, None) if empty else text


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
    missing_cells = {word for word in words_for_missing_value(missing) if normalise_level(word) not in words}
    level_of_cell = {
        cell: words[key]
        for cell in text.unique().to_list()
        if cell is not None and cell.strip().casefold() not in missing_cells and (key := _comparison_key(cell)) in words
    }
    return text.replace_strict(level_of_cell, default=None, return_dtype=pl.String)


def guard_formulas(texts: pl.Expr) -> pl.Expr:
    """Texts with an apostrophe before each formula that a spreadsheet would run, whichever separator it assumes.

    A formula begins with = + - @ tab or carriage return, at the start of the cell or after a separator in it; a number is none.
    """
    guarded = texts.str.replace_all(FORMULA_INSIDE, "${1}'${2}")
    is_formula = texts.str.contains(FORMULA_START) & ~texts.str.contains(PLAIN_NUMBER)
    return pl.when(is_formula).then(guarded.str.replace("^", "'")).otherwise(guarded)


def remove_guards(texts: Any) -> Any:
    """Texts (a polars expression or series) as they were before `guard_formulas`."""
    return texts.str.replace(GUARD_START, "${1}").str.replace_all(GUARD_INSIDE, "${1}${2}")


def _comparison_key(cell: str) -> str:
    """A cell as words are compared; 1.0 is 1."""
    text = cell.strip()
    return normalise_level(text[:-2] if text in ("0.0", "1.0") else text)
