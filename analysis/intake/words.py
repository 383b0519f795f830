"""Words that every export may use: for nothing recorded, for yes and no, and how words are compared."""

from __future__ import annotations

import re

import polars as pl

MISSING = ("", "-", "–", "n/a", "na", "n.r.", "k.a.", "null", "none", "nan")
TRUE = ("true", "yes", "y", "1")
FALSE = ("false", "no", "n", "0")


def plain(text: str) -> str:
    """A heading or level as it is compared: whatever the case, outer space, or space or hyphen for underscore."""
    return re.sub(r"[\s_-]+", "_", text.strip().casefold())


def squeezed(text: str) -> str:
    """A level as it is compared: like `plain`, with the joints left out (DOT 5.1 is dot5.1)."""
    return plain(text).replace("_", "")


def recorded(column: pl.Expr, missing: tuple[str, ...]) -> pl.Expr:
    """The cell without outer space; empty where it says that nothing was recorded."""
    text = column.str.strip_chars()
    return pl.when(~text.str.to_lowercase().is_in([*MISSING, *(word.strip().casefold() for word in missing)])).then(
        text
    )
