"""A made log written the way some workshop's software would, with a small truth of its own beside it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from synthetic.exports.dirt import Grid, soiled
from synthetic.exports.files import first_row, write_database, write_text, write_workbook
from synthetic.exports.manner import Manner, Sheet
from synthetic.exports.rendered import Row, rendered
from synthetic.made import Made

DIRT_COLUMNS = {
    "file": pl.String,
    "row": pl.Int64,
    "table": pl.String,
    "column": pl.String,
    "rule": pl.String,
    "value": pl.String,
    "action": pl.String,
}
SOILED = ("sessions", "comebacks")


@dataclass(frozen=True)
class Exported:
    """What was written.

    `files` in the order to give them in; `headings`: file, table, heading, column, unit (empty where canonical);
    `dirt`: file, row, table, column, rule, value, action, one line a flaw that was injected, rows numbered as a run
    tells them; `rows`: file, table, rows (of data, broken lines counted, titles and totals not).
    """

    files: tuple[Path, ...]
    headings: pl.DataFrame
    dirt: pl.DataFrame
    rows: pl.DataFrame


def write_export(made: Made, folder: Path | str, manner: Manner, seed: int, flaws_each: int = 2) -> Exported:
    """Write `made` into `folder` in this manner, `flaws_each` flaws of every kind injected (0: clean).

    The small truth is returned and also written to `truth/` in the folder (headings.csv, dirt.csv, rows.csv).
    """
    folder, rng = Path(folder), np.random.default_rng(seed)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    written = _rows(made, manner, flaws_each, rng)
    files = tuple(dict.fromkeys(folder / sheet.file for sheet in manner.sheets))
    for path in files:
        inside = [(sheet, rows) for sheet, rows in written if sheet.file == path.name]
        _write(path, manner, inside)
    exported = Exported(files, _headings(manner), _dirt(manner, written), _counts(written))
    for name in ("headings", "dirt", "rows"):
        getattr(exported, name).write_csv(folder / "truth" / f"{name}.csv")
    return exported


def _rows(made: Made, manner: Manner, flaws_each: int, rng: np.random.Generator) -> list[tuple[Sheet, list[Row]]]:
    """The rows of every sheet; a table spread over several sheets is soiled as one."""
    done: dict[str, list[Row]] = {}
    for sheet in manner.sheets:
        if sheet.table not in done:
            table: pl.DataFrame = getattr(made, sheet.table)
            rows = rendered(table, sheet, manner, rng)
            if sheet.table in SOILED and flaws_each:
                typed = manner.typed and manner.kind(sheet) != "text"
                grid = Grid(sheet, manner, rows, typed)
                rows = soiled(grid, made, flaws_each, rng)
            done[sheet.table] = rows
    return [(sheet, [r for r in done[sheet.table] if _belongs(r, sheet)]) for sheet in manner.sheets]


def _belongs(row: Row, sheet: Sheet) -> bool:
    return row.year == 0 or sheet.from_year <= row.year <= sheet.until_year


def _write(path: Path, manner: Manner, inside: list[tuple[Sheet, list[Row]]]) -> None:
    kind = manner.kind(inside[0][0])
    if kind == "workbook":
        write_workbook(path, manner, inside)
    elif kind == "database":
        write_database(path, inside)
    else:
        sheet, rows = inside[0]
        write_text(path, sheet, manner, rows)


def _headings(manner: Manner) -> pl.DataFrame:
    rows = [(s.source, s.table, c.heading, c.field, c.unit) for s in manner.sheets for c in s.columns]
    return pl.DataFrame(rows, schema=["file", "table", "heading", "column", "unit"], orient="row")


def _dirt(manner: Manner, written: list[tuple[Sheet, list[Row]]]) -> pl.DataFrame:
    lines = [
        (sheet.source, first_row(sheet, manner) + at, sheet.table, f.column, f.rule, f.value, f.action)
        for sheet, rows in written
        for at, row in enumerate(rows)
        for f in row.flaws
    ]
    return pl.DataFrame(lines, schema=DIRT_COLUMNS, orient="row")


def _counts(written: list[tuple[Sheet, list[Row]]]) -> pl.DataFrame:
    rows = [(sheet.source, sheet.table, len(rows)) for sheet, rows in written]
    return pl.DataFrame(rows, schema=["file", "table", "rows"], orient="row")
