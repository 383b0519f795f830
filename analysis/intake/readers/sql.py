"""What may stand after the `#` of a database: the name of a table, or one SELECT."""

from __future__ import annotations

import re

from analysis.errors import UserError

_COMMENTS = re.compile(r"\A(?:\s+|--[^\n]*(?:\n|\Z)|/\*.*?\*/)*", re.DOTALL)
_BEGINS_LIKE_SELECT = re.compile(r"(?:select|with|values)\b\s*\S", re.IGNORECASE)
_BEGINS_LIKE_ANOTHER = re.compile(
    r"(?:insert|update|delete|drop|create|alter|attach|detach|pragma|copy|truncate|vacuum|begin|set|grant|call|do|explain)\s+\S",
    re.IGNORECASE,
)


def is_select(target: str) -> bool:
    """Whether it is a statement and no table's name."""
    bare = _COMMENTS.sub("", target)
    return bool(_BEGINS_LIKE_SELECT.match(bare) or _BEGINS_LIKE_ANOTHER.match(bare)) or ";" in bare


def one_select(label: str, target: str) -> str:
    """The one SELECT, without a closing semicolon.

    Raises
    ------
    UserError
        It is another statement, or there may be more than one: a semicolon is refused wherever it stands.
    """
    bare = target.strip().rstrip(";").rstrip()
    if ";" in bare:
        raise UserError(label, "a semicolon in the query", "one SELECT", "write a single SELECT without a semicolon")
    if not _BEGINS_LIKE_SELECT.match(_COMMENTS.sub("", bare)):
        raise UserError(
            label, "a statement that is no SELECT", "one SELECT that only reads", "name a table, or write a SELECT"
        )
    return bare


def quoted(name: str) -> str:
    """A name as SQL writes it, whatever is in it."""
    return '"' + name.replace('"', '""') + '"'
