"""Values of a TOML file, checked for kind and range; an error names the file, line and key."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from analysis.errors import UserError

MAX_NUMBER = 1_000_000_000
"""So that no sum over a log can overflow."""
MAX_TEXT_LENGTH = 200
"""Characters of a title, which is printed in charts and tables."""
_MAX_QUOTED_LENGTH = 60
_KINDS = {int: "a whole number", float: "a number", str: "a text in quotes", bool: "true or false"}


@dataclass(frozen=True)
class TomlLocation:
    """A table of a TOML file, for error messages."""

    file: str
    text: str
    table: str
    first_line: int = 1

    def at(self, table: str) -> TomlLocation:
        """The location of a table within this one."""
        name = f"{self.table}.{table}" if self.table else table
        return replace(
            self, table=name, first_line=_line(self.text, rf"^\s*\[\[?\s*{re.escape(name)}\s*\]", self.first_line)
        )

    def step(self, number: int, table: Mapping[str, Any]) -> TomlLocation:
        """The location of a [[step]] table, numbered from 1."""
        starts = [m.start() for m in re.finditer(r"(?m)^[ \t]*\[\[[ \t]*step[ \t]*\]\]", self.text)]
        first = self.text.count("\n", 0, starts[number - 1]) + 1 if number <= len(starts) else 1
        return replace(self, table=f"step {number} ({table.get('id', 'no id')})", first_line=first)

    def error(self, problem: str, expected: str, remedy: str, key: str = "") -> UserError:
        """An error at the line of `key`, or at the first line of the table."""
        line = _line(self.text, rf"^\s*{re.escape(key)}\s*=", self.first_line) if key else self.first_line
        where = f"{self.file}, line {line}" + (f", {self.table}" if self.table else "")
        return UserError(where, problem, expected, remedy)


def reject_unknown_keys(table: Mapping[str, Any], keys: Iterable[str], location: TomlLocation) -> None:
    """Raise UserError at the first key that is not one of `keys`."""
    keys = tuple(keys)
    for key in table:
        if key not in keys:
            raise location.error(f"unknown key {key!r}", "one of " + ", ".join(keys), "correct or delete the key", key)


def read_value(
    table: Mapping[str, Any],
    key: str,
    location: TomlLocation,
    kind: type,
    *,
    allowed: tuple[float | None, float | None] = (None, None),
    default: Any = None,
) -> Any:
    """The value of `key`, of `kind` and within the `allowed` limits.

    `default` where the key is absent (None: it is required).
    """
    if key not in table:
        if default is None:
            raise location.error(f"{key} is missing", f"{key} = {_KINDS[kind]}", "add the key")
        return default
    value = table[key]
    fits = isinstance(value, int | float if kind is float else kind) and (kind is bool or not isinstance(value, bool))
    if not fits or value != value or value in (float("inf"), -float("inf")):
        raise location.error(f"{key} = {_quoted(value)}", _KINDS[kind], "correct the value", key)
    if kind in (int, float) and abs(value) > MAX_NUMBER:
        raise location.error(f"{key} = {_quoted(value)}", f"at most {MAX_NUMBER:,}", "correct the value", key)
    if kind is str and len(value) > MAX_TEXT_LENGTH:
        problem = f"{key} is {len(value):,} characters long"
        raise location.error(problem, f"at most {MAX_TEXT_LENGTH} characters", "shorten the text", key)
    low, high = allowed
    if (low is not None and value < low) or (high is not None and value > high):
        limits = f"{low:g} or more" if high is None else f"{low:g} to {high:g}"
        raise location.error(f"{key} = {value!r}", limits, "correct the value", key)
    return float(value) if kind is float else value


def read_words(
    table: Mapping[str, Any], key: str, location: TomlLocation, levels: Iterable[str], default: tuple[str, ...] | None
) -> tuple[str, ...]:
    """The list of words under `key`, each one of `levels`; `default` where it is absent (None: the key is required)."""
    if key not in table and default is not None:
        return default
    value = table.get(key)
    if not isinstance(value, list) or not all(isinstance(word, str) for word in value):
        raise location.error(f"{key} = {value!r}", "a list of words in quotes", f'write {key} = ["…"]', key)
    for word in value:
        if word not in levels:
            raise location.error(f"{key} contains {word!r}", "one of " + ", ".join(levels), "correct the word", key)
    return tuple(value)


def read_table(table: Mapping[str, Any], key: str, location: TomlLocation) -> dict[str, Any]:
    """The table under `key`; empty where there is none."""
    value = table.get(key, {})
    if not isinstance(value, dict):
        raise location.error(f"{key} is not a table", f"[{key}] with its keys below", "write it as a table", key)
    return value


def _quoted(value: Any) -> str:
    """A value shortened for a message; Python refuses to print whole numbers with thousands of digits."""
    if isinstance(value, int) and abs(value) > MAX_NUMBER**6:
        return "a whole number of more than 54 digits"
    text = repr(value)
    return text if len(text) <= _MAX_QUOTED_LENGTH else f"{text[:_MAX_QUOTED_LENGTH]}…"


def _line(text: str, pattern: str, first: int) -> int:
    lines = text.split("\n")
    for number in range(first, len(lines) + 1):
        if re.search(pattern, lines[number - 1]):
            return number
    return first
