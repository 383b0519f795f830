"""Dirt for exports: wrong values, missing ids, copies, contradictions, broken lines and returns of unknown bikes.

Rows that a reader must set aside are taken where nothing else hangs on them: brakes bled once that never came back,
and returns that are no re-bleed. So what is injected is all that follows.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from synthetic.exports.manner import Manner, Sheet
from synthetic.exports.rendered import Cell, Flaw, Row, number
from synthetic.made import Made

UNREADABLE = ("ca. 20", "?", "x", "viel")
WRONG_NUMBERS = {"lever_port_nm": 48.0, "lever_reach_mm": 780.0, "shop_temp_c": 180.0, "minutes": 9000.0}
WRONG_WORDS = {"brake": "middle", "fluid_out": "purple", "complaint": "wobbles", "hose_route": "sideways"}
REQUIRED = {"sessions": ("bike_id", "technician"), "comebacks": ("bike_id",)}
DATES = {"sessions": "started_at", "comebacks": "returned_at"}
IDS = {"sessions": "session_id", "comebacks": "comeback_id"}
COPY_WITHIN = 40
Soiling = Callable[[Row], Row]


@dataclass(frozen=True)
class Grid:
    """A table of an export on its way to a file, with what is needed to soil it."""

    sheet: Sheet
    manner: Manner
    rows: list[Row]
    typed: bool

    def place(self, field: str) -> int | None:
        fields = [column.field for column in self.sheet.columns]
        return fields.index(field) if field in fields else None


def soiled(grid: Grid, made: Made, eligible: list[int], each: int, rng: np.random.Generator) -> list[Row]:
    """The grid's rows with `each` flaws of every kind the table and the kind of file allow.

    `eligible` are the rows that may be set aside. Row order stays; copies follow their originals.
    """
    rows = list(grid.rows)
    set_aside = [*_set_aside_flaws(grid, made)]
    blanked = [*_cell_flaws(grid, rng)]
    lonely = [int(i) for i in rng.permutation(eligible)]
    others = [int(i) for i in rng.permutation(len(rows)) if i not in set(eligible)]
    if len(lonely) < each * (len(set_aside) + 1) or len(others) < each * (len(blanked) + 1):
        raise ValueError(f"flaws_each: too many for {len(rows)} rows of {grid.sheet.table}, got {each}; make more rows")
    for free, flaws in ((lonely, set_aside), (others, blanked)):
        for flawed in flaws * each:
            at = free.pop()
            rows[at] = flawed(rows[at])
    added: list[tuple[int, Row]] = []
    for free, kind in ((others, _copy), (lonely, _contradiction)):
        for at in [free.pop() for _ in range(each)]:
            rows[at], other = kind(grid, rows[at])
            if other is not None:
                added.append((min(at + int(rng.integers(1, COPY_WITHIN)), len(rows)), other))
    added += _strays(grid, rows, each, rng)
    for at, row in sorted(added, key=lambda pair: pair[0], reverse=True):
        rows.insert(at, row)
    return rows


def _cell_flaws(grid: Grid, rng: np.random.Generator) -> Iterator[Soiling]:
    """Flaws of optional fields: the cell is blanked and the row stays."""
    for field, value in WRONG_NUMBERS.items():
        at = grid.place(field)
        if at is not None:
            cell = number(value, grid.sheet.columns[at], grid.manner, grid.typed)
            yield _put(at, cell, Flaw(field, "out_of_range", str(cell), "value_blanked"))
    for field, word in WRONG_WORDS.items():
        at = grid.place(field)
        if at is not None and (field != "brake" or grid.sheet.table == "comebacks"):
            yield _put(at, word, Flaw(field, "unknown_level", word, "value_blanked"))
    for field in ("settle_minutes", "parts_cost"):
        at = grid.place(field)
        if at is not None:
            text = str(rng.choice(UNREADABLE))
            yield _put(at, text, Flaw(field, "unreadable", text, "value_blanked"))


def _set_aside_flaws(grid: Grid, made: Made) -> Iterator[Soiling]:
    """Flaws of required fields: the row is set aside."""
    for field in REQUIRED[grid.sheet.table]:
        at = grid.place(field)
        if at is not None:
            yield _put(at, None, Flaw(field, "required_missing", "", "row_set_aside"))
    date = DATES[grid.sheet.table]
    at = grid.place(date)
    if at is not None:
        yield _put(at, "soon", Flaw(date, "unreadable", "soon", "row_set_aside"))
        late = dt.datetime.combine(made.as_of, dt.time(10)) + dt.timedelta(days=20)
        cell: Cell = late.strftime(grid.manner.moment)
        yield _put(at, cell, Flaw(date, "after_as_of", str(cell), "row_set_aside"))
    brake = grid.place("brake")
    if grid.sheet.table == "sessions" and brake is not None:
        yield _put(brake, "middle", Flaw("brake", "unknown_level", "middle", "row_set_aside"))


def _put(at: int, cell: Cell, flaw: Flaw) -> Soiling:
    def flawed(row: Row) -> Row:
        return replace(row, cells=(*row.cells[:at], cell, *row.cells[at + 1 :]), flaws=(*row.flaws, flaw))

    return flawed


def _copy(grid: Grid, row: Row) -> tuple[Row, Row | None]:
    """The row, and an exact copy of it."""
    flaw = Flaw(IDS[grid.sheet.table], "exact_copy", _id(grid, row), "duplicate")
    return row, replace(row, flaws=(flaw,))


def _contradiction(grid: Grid, row: Row) -> tuple[Row, Row | None]:
    """The row and one of the same number with other content: both are to be set aside."""
    key, minutes = grid.place(IDS[grid.sheet.table]), grid.place("minutes")
    if key is None or minutes is None:
        return row, None
    flaw = Flaw(IDS[grid.sheet.table], "two_contents", _id(grid, row), "row_set_aside")
    other = number(77.0, grid.sheet.columns[minutes], grid.manner, grid.typed)
    if other == row.cells[minutes]:
        other = number(78.0, grid.sheet.columns[minutes], grid.manner, grid.typed)
    changed = (*row.cells[:minutes], other, *row.cells[minutes + 1 :])
    return replace(row, flaws=(flaw,)), Row(changed, row.year, (flaw,))


def _id(grid: Grid, row: Row) -> str:
    at = grid.place(IDS[grid.sheet.table])
    return "" if at is None else str(row.cells[at])


def _strays(grid: Grid, rows: list[Row], each: int, rng: np.random.Generator) -> list[tuple[int, Row]]:
    """Rows from nowhere: lines with too many cells (text files), returns of bikes nobody knows."""
    made: list[tuple[int, Row]] = []
    clean = [row for row in rows if not row.flaws]
    for turn in range(each):
        pattern = clean[int(rng.integers(len(clean)))]
        where = int(rng.integers(1, len(rows) + 1))
        if grid.manner.kind(grid.sheet) == "text":
            broken = ("" if c is None else c for c in pattern.cells)
            flaw = Flaw("", "unreadable_row", "", "row_set_aside")
            made.append((where, Row((*broken, "?", "?"), pattern.year, (flaw,))))
        if grid.sheet.table == "comebacks":
            made.append((where, _orphan(grid, pattern, turn)))
    return made


def _orphan(grid: Grid, pattern: Row, turn: int) -> Row:
    cells = list(pattern.cells)
    for field, value in (("bike_id", f"B99999{turn}"), ("comeback_id", f"R99999{turn}"), ("session_id", None)):
        at = grid.place(field)
        if at is not None:
            cells[at] = value
    return Row(tuple(cells), pattern.year, (Flaw("", "no_bleed_found", "", "unlinked"),))
