"""Write a simulated log in the format of a workshop's software, with a list of the injected flaws."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from synthetic.exports.export_format import ExportFormat, ExportSheet
from synthetic.exports.files import first_data_row, write_database, write_export_workbook, write_text
from synthetic.exports.flaws import Grid, add_flaws
from synthetic.exports.foreign_rows import Row, foreign_rows
from synthetic.simulate import SimulatedLog

FLAW_COLUMNS = {
    "file": pl.String,
    "row": pl.Int64,
    "table": pl.String,
    "column": pl.String,
    "rule": pl.String,
    "value": pl.String,
    "action": pl.String,
}
TABLES_WITH_FLAWS = ("sessions", "comebacks")


@dataclass(frozen=True)
class ExportResult:
    """The files written, and what is true of them.

    `headings`: file, table, heading, column, unit (empty if that of the log). `flaws`: file, row, table, column, rule, value,
    action, one row per injected flaw, with rows numbered as in set_aside.csv. `rows`: file, table, rows (data rows, with
    broken lines, without titles and totals).
    """

    files: tuple[Path, ...]
    headings: pl.DataFrame
    flaws: pl.DataFrame
    rows: pl.DataFrame


def write_export(
    log: SimulatedLog, folder: Path | str, export_format: ExportFormat, seed: int, flaws_each: int = 2
) -> ExportResult:
    """Write `log` into `folder` in this format, with `flaws_each` flaws of every kind (0: none).

    The headings, flaws and row counts are returned and also written to `truth/` in the folder.
    """
    folder, rng = Path(folder), np.random.default_rng(seed)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    sheets = _rows_by_sheet(log, export_format, flaws_each, rng)
    files = tuple(dict.fromkeys(folder / sheet.file for sheet in export_format.sheets))
    for path in files:
        inside = [(sheet, rows) for sheet, rows in sheets if sheet.file == path.name]
        _write_file(path, export_format, inside)
    exported = ExportResult(
        files, _headings_table(export_format), _flaws_table(export_format, sheets), _row_counts_table(sheets)
    )
    for name in ("headings", "flaws", "rows"):
        (folder / "truth" / f"{name}.csv").write_text(getattr(exported, name).write_csv(), encoding="utf-8")
    return exported


def _rows_by_sheet(
    log: SimulatedLog, export_format: ExportFormat, flaws_each: int, rng: np.random.Generator
) -> list[tuple[ExportSheet, list[Row]]]:
    """The rows of every sheet; flaws are added to a table before it is split into sheets."""
    done: dict[str, list[Row]] = {}
    for sheet in export_format.sheets:
        if sheet.table not in done:
            table: pl.DataFrame = getattr(log, sheet.table)
            rows = foreign_rows(table, sheet, export_format, rng)
            if sheet.table in TABLES_WITH_FLAWS and flaws_each:
                typed = export_format.typed and export_format.kind(sheet) != "text"
                grid = Grid(sheet, export_format, rows, typed)
                rows = add_flaws(grid, log, flaws_each, rng)
            done[sheet.table] = rows
    return [(sheet, [r for r in done[sheet.table] if _belongs_to_sheet(r, sheet)]) for sheet in export_format.sheets]


def _belongs_to_sheet(row: Row, sheet: ExportSheet) -> bool:
    return row.year == 0 or sheet.from_year <= row.year <= sheet.until_year


def _write_file(path: Path, export_format: ExportFormat, inside: list[tuple[ExportSheet, list[Row]]]) -> None:
    kind = export_format.kind(inside[0][0])
    if kind == "workbook":
        write_export_workbook(path, export_format, inside)
    elif kind == "database":
        write_database(path, inside)
    else:
        sheet, rows = inside[0]
        write_text(path, sheet, export_format, rows)


def _headings_table(export_format: ExportFormat) -> pl.DataFrame:
    rows = [(s.source, s.table, c.heading, c.field, c.unit) for s in export_format.sheets for c in s.columns]
    return pl.DataFrame(rows, schema=["file", "table", "heading", "column", "unit"], orient="row")


def _flaws_table(export_format: ExportFormat, sheets: list[tuple[ExportSheet, list[Row]]]) -> pl.DataFrame:
    lines = [
        (sheet.source, first_data_row(sheet, export_format) + at, sheet.table, f.column, f.rule, f.value, f.action)
        for sheet, rows in sheets
        for at, row in enumerate(rows)
        for f in row.flaws
    ]
    return pl.DataFrame(lines, schema=FLAW_COLUMNS, orient="row")


def _row_counts_table(sheets: list[tuple[ExportSheet, list[Row]]]) -> pl.DataFrame:
    rows = [(sheet.source, sheet.table, len(rows)) for sheet, rows in sheets]
    return pl.DataFrame(rows, schema=["file", "table", "rows"], orient="row")
