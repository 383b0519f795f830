"""JSON lines as a raw table: one object per line."""

from __future__ import annotations

import json
from collections import Counter
from typing import Any

import polars as pl

from analysis.errors import EmptyExport, UserError
from analysis.intake.readers import limits
from analysis.intake.readers.decoding import decode
from analysis.intake.readers.files import Snapshot
from analysis.intake.readers.frames import concat_batches, replace_surrogates, typed_column
from analysis.intake.readers.raw_table import ROW, RawTable, unique_headings, unparsed_rows

_MAX_LISTED_KEYS = 12


def jsonl_table(file: Snapshot) -> RawTable:
    """Read a file of JSON objects: a column for each key; `row` is the line. Nested values are JSON text.

    Raises
    ------
    UserError
        No line holds an object, or the text is damaged or exceeds a limit.
    EmptyExport
        It has only blank lines.
    """
    text = decode(file.label, file.data)
    lines = text.data.decode("utf-8", "replace").split("\n")
    limits.check_size(file.label, rows=len(lines))
    objects = _Objects(file.label)
    for number, line in enumerate(lines, start=1):
        if line.strip():
            objects.append(number, line)
    if not objects.rows and not objects.broken:
        raise EmptyExport(file.label, "only blank lines", "one JSON object per line", "export the log again")
    if not objects.rows:
        raise UserError(
            file.label,
            "no line holds a JSON object",
            'one object per line, as in {"bike_id": "B1", "minutes": 35}',
            "export as JSON lines or CSV",
        )
    cells = objects.cells()
    return RawTable(file.label, cells, unparsed_rows(objects.broken), file.sha256, (*text.notes, *objects.notes))


class _Objects:
    """Objects collected line by line.

    They become columns in batches: parsed objects of 30 keys take about 4 kB each, so a million would take 4 GB.
    """

    def __init__(self, label: str) -> None:
        self._label = label
        self.rows: list[int] = []
        self.broken: list[tuple[int, str, str]] = []
        self._columns: dict[str, list[pl.Series]] = {}
        self._batch: list[dict[str, Any]] = []
        self._repeated_keys: set[str] = set()

    def append(self, number: int, line: str) -> None:
        try:
            value = json.loads(line, object_pairs_hook=self._object)
        except (ValueError, RecursionError) as problem:
            self.broken.append((number, line, f"not JSON ({problem})"))
            return
        if not isinstance(value, dict):
            self.broken.append((number, line, "JSON, but not an object"))
            return
        self.rows.append(number)
        self._batch.append(value)
        if len(self._batch) == limits.BATCH_ROWS:
            self._close_batch()

    @property
    def notes(self) -> tuple[str, ...]:
        keys = ", ".join(repr(replace_surrogates(key)[:60]) for key in sorted(self._repeated_keys)[:_MAX_LISTED_KEYS])
        return (f"some lines have a key more than once; the last value is used: {keys}",) if keys else ()

    def cells(self) -> pl.DataFrame:
        self._close_batch()
        headings = unique_headings([replace_surrogates(key) for key in self._columns])
        columns = [
            concat_batches(batches).alias(heading)
            for heading, batches in zip(headings, self._columns.values(), strict=True)
        ]
        return pl.DataFrame([pl.Series(ROW, self.rows, dtype=pl.Int64), *columns])

    def _object(self, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        value = dict(pairs)
        if len(value) < len(pairs):
            self._repeated_keys |= {key for key, count in Counter(key for key, _ in pairs).items() if count > 1}
        return value

    def _close_batch(self) -> None:
        rows_before = len(self.rows) - len(self._batch)
        for key in dict.fromkeys(key for value in self._batch for key in value):
            self._columns.setdefault(key, [pl.Series([None] * rows_before, dtype=pl.Null)])
        limits.check_size(self._label, columns=len(self._columns))
        for key, batches in self._columns.items():
            batches.append(typed_column([value.get(key) for value in self._batch]))
        self._batch = []
