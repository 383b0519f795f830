"""Flaws in exports: wrong values, missing IDs, duplicates, contradictions, broken lines, returns of unknown bikes.

Rows that must be rejected are added to those of the log and have no links to them. So each injected flaw has one known
consequence, and the accepted log equals the true one except for some blanked values.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import count

import numpy as np

from synthetic.exports.export_format import ExportFormat, ExportSheet
from synthetic.exports.foreign_rows import Cell, Flaw, Row, number
from synthetic.simulate import SimulatedLog

UNREADABLE = ("ca. 20", "?", "x", "lots")
WRONG_NUMBERS = {"lever_port_nm": 48.0, "lever_reach_mm": 780.0, "shop_temp_c": 180.0, "minutes": 9000.0}
WRONG_WORDS = {"brake": "middle", "fluid_out": "purple", "complaint": "wobbles", "hose_route": "sideways"}
REQUIRED = {"sessions": ("bike_id", "technician"), "comebacks": ("bike_id",)}
DATES = {"sessions": "started_at", "comebacks": "returned_at"}
IDS = {"sessions": "session_id", "comebacks": "comeback_id"}
COPY_WITHIN = 40
RowFlaw = Callable[[Row], Row]


@dataclass(frozen=True)
class Grid:
    """The rows of an export table before they are written."""

    sheet: ExportSheet
    export_format: ExportFormat
    rows: list[Row]
    typed: bool

    def place(self, field: str) -> int | None:
        fields = [column.field for column in self.sheet.columns]
        return fields.index(field) if field in fields else None


def add_flaws(grid: Grid, log: SimulatedLog, each: int, rng: np.random.Generator) -> list[Row]:
    """Add `each` flaws of every kind that the table and the kind of file allow.

    The order of the rows stays; duplicates follow their originals.

    Raises
    ------
    ValueError
        The table has too few rows.
    """
    rows = list(grid.rows)
    blanked = [*_cell_flaws(grid, rng)] * each
    if len(rows) < len(blanked) + each:
        raise ValueError(f"flaws_each: too many for {len(rows)} rows of {grid.sheet.table}, got {each}; make more rows")
    free = [int(i) for i in rng.permutation(len(rows))]
    for flawed in blanked:
        at = free.pop()
        rows[at] = flawed(rows[at])
    clean = [row for row in rows if not row.flaws]
    added = [
        (min(at + int(rng.integers(1, COPY_WITHIN)), len(rows)), _mark_as_duplicate(grid, rows[at]))
        for at in free[-each:]
    ]
    added += [(int(rng.integers(1, len(rows) + 1)), row) for row in _unrelated_rows(grid, log, clean, each, rng)]
    for place, row in sorted(added, key=lambda pair: pair[0], reverse=True):
        rows.insert(place, row)
    return rows


def _unrelated_rows(grid: Grid, log: SimulatedLog, clean: list[Row], each: int, rng: np.random.Generator) -> list[Row]:
    """Rows that are not in the log: bad required fields, contradictions, broken lines, unknown bikes."""
    numbers = count(1)

    def unrelated() -> Row:
        return _unrelated_row(grid, clean[int(rng.integers(len(clean)))], next(numbers))

    made_up = [flawed(unrelated()) for flawed in [*_rejecting_flaws(grid, log)] * each]
    if grid.place(IDS[grid.sheet.table]) is not None:
        made_up += [row for _ in range(each) for row in _make_conflicting_rows(grid, unrelated())]
    if grid.export_format.kind(grid.sheet) == "text":
        made_up += [_break_row(unrelated()) for _ in range(each)]
    if grid.sheet.table == "comebacks":
        unknown = Flaw("", "no_bleed_found", "", "unlinked")
        made_up += [replace(unrelated(), flaws=(unknown,)) for _ in range(each)]
    return made_up


def _cell_flaws(grid: Grid, rng: np.random.Generator) -> Iterator[RowFlaw]:
    """Flaws of optional fields: the value is blanked and the row accepted."""
    for field, value in WRONG_NUMBERS.items():
        at = grid.place(field)
        if at is not None:
            cell = number(value, grid.sheet.columns[at], grid.export_format, grid.typed)
            yield _make_cell_flaw(at, cell, Flaw(field, "out_of_range", str(cell), "value_blanked"))
    for field, word in WRONG_WORDS.items():
        at = grid.place(field)
        if at is not None and (field != "brake" or grid.sheet.table == "comebacks"):
            yield _make_cell_flaw(at, word, Flaw(field, "unknown_level", word, "value_blanked"))
    for field in ("settle_minutes", "parts_cost"):
        at = grid.place(field)
        if at is not None:
            text = str(rng.choice(UNREADABLE))
            yield _make_cell_flaw(at, text, Flaw(field, "unreadable", text, "value_blanked"))


def _rejecting_flaws(grid: Grid, log: SimulatedLog) -> Iterator[RowFlaw]:
    """Flaws of required fields: the row is rejected."""
    for field in REQUIRED[grid.sheet.table]:
        at = grid.place(field)
        if at is not None:
            yield _make_cell_flaw(at, None, Flaw(field, "required_missing", "", "row_set_aside"))
    date = DATES[grid.sheet.table]
    at = grid.place(date)
    if at is not None:
        yield _make_cell_flaw(at, "soon", Flaw(date, "unreadable", "soon", "row_set_aside"))
        late = dt.datetime.combine(log.as_of, dt.time(10)) + dt.timedelta(days=20)
        cell: Cell = late.strftime(grid.export_format.moment)
        yield _make_cell_flaw(at, cell, Flaw(date, "after_as_of", str(cell), "row_set_aside"))
    brake = grid.place("brake")
    if grid.sheet.table == "sessions" and brake is not None:
        yield _make_cell_flaw(brake, "middle", Flaw("brake", "unknown_level", "middle", "row_set_aside"))


def _make_cell_flaw(at: int, cell: Cell, flaw: Flaw) -> RowFlaw:
    def flawed(row: Row) -> Row:
        return replace(row, cells=(*row.cells[:at], cell, *row.cells[at + 1 :]), flaws=(*row.flaws, flaw))

    return flawed


def _mark_as_duplicate(grid: Grid, row: Row) -> Row:
    """A duplicate."""
    return replace(row, flaws=(Flaw(IDS[grid.sheet.table], "exact_copy", _row_id(grid, row), "duplicate"),))


def _make_conflicting_rows(grid: Grid, row: Row) -> tuple[Row, Row]:
    """Two rows with the same ID and different data: both are rejected."""
    minutes = next(at for at, column in enumerate(grid.sheet.columns) if column.field == "minutes")
    flaw = Flaw(IDS[grid.sheet.table], "conflicting_copies", _row_id(grid, row), "row_set_aside")
    one, two = (number(value, grid.sheet.columns[minutes], grid.export_format, grid.typed) for value in (76.0, 77.0))
    first, second = ((*row.cells[:minutes], cell, *row.cells[minutes + 1 :]) for cell in (one, two))
    return replace(row, cells=first, flaws=(flaw,)), replace(row, cells=second, flaws=(flaw,))


def _break_row(row: Row) -> Row:
    """A line with more cells than headings."""
    return replace(row, cells=(*row.cells, "?", "?"), flaws=(Flaw("", "unreadable_row", "", "row_set_aside"),))


def _unrelated_row(grid: Grid, pattern: Row, turn: int) -> Row:
    """A row like `pattern` with IDs that occur nowhere else."""
    cells = list(pattern.cells)
    own = IDS[grid.sheet.table]
    for field, value in (("session_id", None), ("bike_id", f"B9{turn:05d}"), (own, f"{own[0].upper()}9{turn:06d}")):
        at = grid.place(field)
        if at is not None:
            cells[at] = value
    return replace(pattern, cells=tuple(cells))


def _row_id(grid: Grid, row: Row) -> str:
    at = grid.place(IDS[grid.sheet.table])
    return "" if at is None else str(row.cells[at])
