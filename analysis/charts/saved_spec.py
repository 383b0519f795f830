"""A chart's specification as a notebook saves it: the same picture from a fraction of the bytes.

Altair repeats every column's name in every row, whether the chart uses the column or not. Here a table keeps the columns
that are used, five digits of a number, and becomes CSV.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from copy import deepcopy
from io import StringIO
from typing import Any

DIGITS = 5
"""Significant digits of a fraction."""
WORD = re.compile(r"\w+")
PLAIN_NAME = re.compile(r"\w[\w ]*")
"""A column whose name means itself to Vega: no dots, brackets or quotes."""
ANY_COLUMN = re.compile(r"^data$|datum\[(?!\d+\]|'[^']*'\])")
"""A text that may use columns it does not name: a tooltip of all data, a name that is put together."""
DATE = re.compile(r"\d{4}-\d\d")
TABLES = "datasets"
Rows = list[dict[str, Any]]


def saved_spec(spec: dict[str, Any]) -> dict[str, Any]:
    """The specification with each table as text: CSV, or JSON where CSV cannot hold it."""
    rest = deepcopy({key: value for key, value in spec.items() if key != TABLES})
    texts, formatted = set(_texts(rest)), {part["name"] for part in _sources(rest) if "format" in part}
    words = None if any(map(ANY_COLUMN.search, texts)) else {word for text in texts for word in WORD.findall(text)}
    tables: dict[str, str] = {}
    for name, rows in spec.get(TABLES, {}).items():
        is_table = isinstance(rows, list | tuple) and len(rows) > 1 and all(isinstance(row, dict) for row in rows)
        used = _used_columns(rows, words) if is_table else rows
        kinds = _csv_kinds(used) if is_table and name not in formatted else None
        tables[name] = _json_text(used) if kinds is None else _csv_text(used)
        for source in _sources(rest):
            if source["name"] == name:
                parse = {"parse": kinds} if kinds else {}
                source["format"] = {"type": "json" if kinds is None else "csv", **parse, **source.get("format", {})}
    return rest | {TABLES: tables}


def _texts(part: Any) -> Iterator[str]:
    if isinstance(part, str):
        yield part
    for one in part.values() if isinstance(part, dict) else part if isinstance(part, list) else ():
        yield from _texts(one)


def _sources(part: Any) -> Iterator[dict[str, Any]]:
    """Where a part takes its data from, by name."""
    if isinstance(part, dict) and isinstance(part.get("data"), dict) and "name" in part["data"]:
        yield part["data"]
    for one in part.values() if isinstance(part, dict) else part if isinstance(part, list) else ():
        yield from _sources(one)


def _used_columns(rows: Rows, words: set[str] | None) -> Rows:
    names = [name for name in rows[0] if words is None or set(WORD.findall(name)) <= words]
    return [{name: _rounded(row.get(name)) for name in names} for row in rows]


def _rounded(value: Any) -> Any:
    """A fraction with `DIGITS` digits; whole numbers, among them times, as they are."""
    return float(f"{value:.{DIGITS}g}") if isinstance(value, float) and not value.is_integer() else value


def _csv_kinds(rows: Rows) -> dict[str, str] | None:
    """How Vega is to read each column of a CSV; None if it would not read what is there."""
    kinds: dict[str, str] = {}
    for name in rows[0]:
        values = [row[name] for row in rows]
        recorded = {type(value) for value in values if value is not None}
        if recorded <= {int, float} or recorded == {bool}:
            kinds[name] = "boolean" if recorded == {bool} else "number"
        elif recorded != {str} or "" in values or (None in values and any(map(DATE.match, filter(None, values)))):
            return None
        elif None in values:
            kinds[name] = "string"
        if not PLAIN_NAME.fullmatch(name):
            return None
    return kinds


def _csv_text(rows: Rows) -> str:
    text = StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(rows[0])
    table.writerows([_cell(value) for value in row.values()] for row in rows)
    return text.getvalue()


def _cell(value: Any) -> Any:
    return str(value).lower() if isinstance(value, bool) else value


def _json_text(rows: Any) -> str:
    return rows if isinstance(rows, str) else json.dumps(rows, separators=(",", ":"))
