"""Reading one value of a TOML file: its kind and range, or a refusal that says where."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from analysis.errors import UserError

LARGEST_NUMBER = 1_000_000_000
"""So that no sum over a log can overflow."""
LONGEST_TEXT = 200
"""Characters of a title, which stands in charts and tables."""
_LONGEST_SHOWN = 60
_KINDS = {int: "a whole number", float: "a number", str: "a text in quotes", bool: "true or false"}


@dataclass(frozen=True)
class TomlLocation:
    """A table of a TOML file, for saying where something is wrong."""

    file: str
    text: str
    table: str
    first_line: int = 1

    def at(self, table: str) -> TomlLocation:
        name = f"{self.table}.{table}" if self.table else table
        return replace(
            self, table=name, first_line=_line(self.text, rf"^\s*\[\[?\s*{re.escape(name)}\s*\]", self.first_line)
        )

    def step(self, number: int, table: Mapping[str, Any]) -> TomlLocation:
        lines = [m.start() for m in re.finditer(r"(?m)^[ \t]*\[\[[ \t]*step[ \t]*\]\]", self.text)]
        first = self.text.count("\n", 0, lines[number - 1]) + 1 if number <= len(lines) else 1
        return replace(self, table=f"step {number} ({table.get('id', 'no id')})", first_line=first)

    def refusal(self, problem: str, expected: str, remedy: str, key: str = "") -> UserError:
        line = _line(self.text, rf"^\s*{re.escape(key)}\s*=", self.first_line) if key else self.first_line
        where = f"{self.file}, line {line}" + (f", {self.table}" if self.table else "")
        return UserError(where, problem, expected, remedy)


def refuse_unknown(table: Mapping[str, Any], known: Iterable[str], location: TomlLocation) -> None:
    """Stop at the first key that is not known."""
    known = tuple(known)
    for key in table:
        if key not in known:
            raise location.refusal(
                f"the key {key!r} is not known", "one of " + ", ".join(known), "mend or remove it", key
            )


def read_value(
    table: Mapping[str, Any],
    key: str,
    location: TomlLocation,
    kind: type,
    *,
    low: float | None = None,
    high: float | None = None,
    default: Any = None,
) -> Any:
    """The value of `key`, of `kind` and within the limits; `default` where it is absent (None: it must be there)."""
    if key not in table:
        if default is None:
            raise location.refusal(f"{key} is missing", f"{key} = {_KINDS[kind]}", "add it")
        return default
    value = table[key]
    fits = isinstance(value, int | float if kind is float else kind) and (kind is bool or not isinstance(value, bool))
    if not fits or value != value or value in (float("inf"), -float("inf")):
        raise location.refusal(f"{key} = {_short(value)}", _KINDS[kind], "correct the value", key)
    if kind in (int, float) and abs(value) > LARGEST_NUMBER:
        raise location.refusal(f"{key} = {_short(value)}", f"at most {LARGEST_NUMBER:,}", "correct the value", key)
    if kind is str and len(value) > LONGEST_TEXT:
        problem = f"{key} is a text of {len(value):,} characters"
        raise location.refusal(problem, f"at most {LONGEST_TEXT}", "write it shorter", key)
    if (low is not None and value < low) or (high is not None and value > high):
        bounds = f"{low:g} or more" if high is None else f"{low:g} to {high:g}"
        raise location.refusal(f"{key} = {value!r}", bounds, "correct the value", key)
    return float(value) if kind is float else value


def _short(value: Any) -> str:
    """A value as it stands, however long; whole numbers past Python's limit of digits too."""
    if isinstance(value, int) and abs(value) > LARGEST_NUMBER**6:
        return "a whole number of more than 54 digits"
    text = repr(value)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}…"


def read_words(
    table: Mapping[str, Any], key: str, location: TomlLocation, known: Iterable[str], default: tuple[str, ...] | None
) -> tuple[str, ...]:
    """The list of known words under `key`; `default` where it is absent (None: it must be there)."""
    if key not in table and default is not None:
        return default
    value = table.get(key)
    if not isinstance(value, list) or not all(isinstance(word, str) for word in value):
        raise location.refusal(f"{key} = {value!r}", "a list of words in quotes", f'write {key} = ["…"]', key)
    for word in value:
        if word not in known:
            raise location.refusal(f"{key} names {word!r}", "one of " + ", ".join(known), "mend the word", key)
    return tuple(value)


def read_table(table: Mapping[str, Any], key: str, location: TomlLocation) -> dict[str, Any]:
    """The table under `key`; empty where there is none."""
    value = table.get(key, {})
    if not isinstance(value, dict):
        raise location.refusal(f"{key} is not a table", f"[{key}] and its keys below", "write it as a table", key)
    return value


def _line(text: str, pattern: str, first: int) -> int:
    lines = text.split("\n")
    for number in range(first, len(lines) + 1):
        if re.search(pattern, lines[number - 1]):
            return number
    return first
