"""JSON lines: one object a line."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from typing import Any

import polars as pl

from analysis.errors import EmptyExport, UserError
from analysis.intake.readers import limits
from analysis.intake.readers.decoding import decode
from analysis.intake.readers.non_data_rows import unique_headings
from analysis.intake.readers.raw_table import ROW, RawTable
from analysis.intake.readers.snapshot import Snapshot
from analysis.intake.readers.unparsed_rows import unparsed_rows
from analysis.intake.readers.values import column, encodable, joined

_BATCH = 50_000
_LISTED = 12


def lines_table(file: Snapshot) -> RawTable:
    """The one table of a file of JSON objects, a column for each key met; `row` is the line. Nested values are JSON text.

    Raises
    ------
    UserError
        No line holds an object, the text is damaged, or it passes a limit.
    EmptyExport
        It holds nothing but blank lines.
    """
    text = decode(file.label, file.data)
    lines = text.data.decode("utf-8", "replace").split("\n")
    limits.check_size(file.label, rows=len(lines))
    objects = _Objects(file.label)
    for number, line in enumerate(lines, start=1):
        if line.strip():
            objects.take(number, line)
    if not objects.rows and not objects.broken:
        raise EmptyExport(file.label, "nothing but blank lines", "one JSON object a line", "export the log again")
    if not objects.rows:
        raise UserError(
            file.label,
            "no line holds a JSON object",
            'one object a line, as in {"bike_id": "B1", "minutes": 35}',
            "export as JSON lines or CSV",
        )
    cells = objects.cells()
    return RawTable(file.label, cells, unparsed_rows(objects.broken), file.sha256, (*text.notes, *objects.notes))


class _Objects:
    """The objects of a file as they come in, turned into columns a batch at a time."""

    def __init__(self, label: str) -> None:
        self._label = label
        self.rows: list[int] = []
        self.broken: list[tuple[int, str, str]] = []
        self._keys: dict[str, list[pl.Series]] = {}
        self._batch: list[dict[str, Any]] = []
        self._repeated: set[str] = set()
        self._done = 0

    def take(self, number: int, line: str) -> None:
        try:
            value = json.loads(line, object_pairs_hook=self._object)
        except (ValueError, RecursionError) as problem:
            self.broken.append((number, line, f"no JSON ({problem})"))
            return
        if not isinstance(value, dict):
            self.broken.append((number, line, "JSON, but no object"))
            return
        self.rows.append(number)
        self._batch.append(value)
        if len(self._batch) == _BATCH:
            self._close_batch()

    def _object(self, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        value = dict(pairs)
        if len(value) < len(pairs):
            self._repeated |= {key for key, times in Counter(key for key, _ in pairs).items() if times > 1}
        return value

    @property
    def notes(self) -> tuple[str, ...]:
        names = ", ".join(repr(encodable(key)[:60]) for key in sorted(self._repeated)[:_LISTED])
        return (f"some lines give a key more than once, and the last value is used: {names}",) if names else ()

    def cells(self) -> pl.DataFrame:
        self._close_batch()
        names = unique_headings([encodable(key) for key in self._keys])
        columns = [joined(parts).alias(name) for name, parts in zip(names, self._keys.values(), strict=True)]
        return pl.DataFrame([pl.Series(ROW, self.rows, dtype=pl.Int64), *columns])

    def _close_batch(self) -> None:
        for key in _new(self._batch, self._keys):
            self._keys[key] = [pl.Series([None] * self._done, dtype=pl.Null)]
        limits.check_size(self._label, columns=len(self._keys))
        for key, parts in self._keys.items():
            parts.append(column([value.get(key) for value in self._batch]))
        self._done += len(self._batch)
        self._batch = []


def _new(batch: Iterable[dict[str, Any]], known: dict[str, Any]) -> list[str]:
    late = (value for value in batch if not value.keys() <= known.keys())
    return [key for key in dict.fromkeys(key for value in late for key in value) if key not in known]
