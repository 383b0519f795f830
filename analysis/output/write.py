"""Write an audit or a check to its folder: CSV and Parquet tables, the log, rejected rows, the manifest."""

from __future__ import annotations

import csv
import io
import math
import os
import re
import unicodedata
from itertools import islice
from pathlib import Path
from typing import IO

import polars as pl

from analysis.intake import Log, guard_formulas
from analysis.output.manifest import MANIFEST, manifest_text, run_manifest_text
from analysis.report import Report, StageDuration
from schemas import AUDIT_TABLES, LOG_TABLES

MAX_NAME_BYTES = 120
"""Of a file name; most systems allow 255, and the name of the table follows."""
RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d|conin\$|conout\$)(\.|$)", re.IGNORECASE)
"""Names that Windows reserves for devices, with any suffix."""
NEEDS_QUOTES = re.compile(r'[",;\t\r\n]')
"""Semicolons and tabs too, because some readers take them for the separator."""
MAX_CELL = 2**31 - 1
"""For the csv module, whose own limit of 131,072 characters is less than a cell may hold."""
DIGITS, MIN_PLAIN, MAX_PLAIN = 12, 1e-4, 1e11
"""Significant digits; magnitudes outside the range are written with an exponent."""
ROWS_AT_ONCE = 200_000
"""Limits the memory for the text of a long table."""


def write_tables(folder: Path, report: Report, *, parquet: bool = False) -> None:
    """Write every table of an audit as CSV, with `parquet` also as Parquet, and the model."""
    tables = folder / "tables"
    tables.mkdir()
    for name in AUDIT_TABLES:
        table: pl.DataFrame = getattr(report, name)
        with (tables / f"{name}.csv").open("wb") as file:
            write_csv(table, file)
        if parquet:
            _write_parquet(table, tables / f"{name}.parquet")
    if report.model_bytes is not None:
        (folder / "model.npz").write_bytes(report.model_bytes)


def write_manifest(folder: Path, report: Report, stages: tuple[StageDuration, ...]) -> None:
    """Write the manifest; `stages` has the seconds of each stage, including writing and pages."""
    (folder / MANIFEST).write_text(manifest_text(report, stages), encoding="utf-8")


def write_check(folder: Path, log: Log) -> None:
    """Write the result of a check: row counts, rejection reasons and the accepted log."""
    tables = folder / "tables"
    tables.mkdir()
    for name in ("intake", "set_aside"):
        (tables / f"{name}.csv").write_text(csv_text(getattr(log, name)), encoding="utf-8")
    write_log(folder, log)
    marker = run_manifest_text(inputs=log.sources, as_of=log.as_of, notes=list(log.warnings))
    (folder / MANIFEST).write_text(marker, encoding="utf-8")


def write_log(folder: Path, log: Log) -> None:
    """Write the tables of the log as Parquet, and the rejected rows as they are in the exports."""
    (folder / "log").mkdir()
    for name in LOG_TABLES:
        _write_parquet(getattr(log, name), folder / "log" / f"{name}.parquet")
    rejected_rows = folder / "set_aside_rows"
    rejected_rows.mkdir()
    used: set[str] = set()
    for rejected in log.rejected:
        name = _file_name(Path(rejected.file).name, rejected.table, rejected.suffix, used)
        text = _guard_cells(rejected.text) if rejected.suffix == ".csv" else rejected.text
        (rejected_rows / name).write_text(text, encoding="utf-8", newline="")


def _guard_cells(text: str) -> str:
    """CSV text with its formulas guarded; the guards are removed when the rows are imported again."""
    csv.field_size_limit(MAX_CELL)
    rows = list(csv.reader(io.StringIO(text, newline="")))
    every_cell = pl.DataFrame({"cell": [cell for row in rows for cell in row]}, schema={"cell": pl.String})
    cells = iter(every_cell.select(guard_formulas(pl.col("cell"))).to_series())
    guarded = [",".join(_csv_cell(cell) for cell in islice(cells, len(row))) for row in rows]
    return "".join((line or '""') + "\r\n" for line in guarded)


def _file_name(file: str, table: str, suffix: str, used: set[str]) -> str:
    """A file name valid on every system, different from those used even when case and Unicode form are ignored."""
    plain = re.sub(r"[^\w.-]+", "_", unicodedata.normalize("NFC", file))
    short = plain.encode()[:MAX_NAME_BYTES].decode(errors="ignore")
    stem = f"_{short}" if RESERVED.match(short) else short
    number = 1
    while True:
        name = f"{stem}.{table}{'' if number == 1 else f'.{number}'}{suffix}"
        same = unicodedata.normalize("NFC", name.casefold())
        if same not in used:
            used.add(same)
            return name
        number += 1


def _write_parquet(table: pl.DataFrame, path: Path) -> None:
    """Write a table, with a full disk as OSError; polars raises a ComputeError."""
    try:
        with path.open("wb") as file:  # polars cannot open a path that is not valid UTF-8
            table.write_parquet(file)
    except pl.exceptions.ComputeError as error:
        number = re.search(r"os error (\d+)", str(error))
        if number is None:
            raise OSError(str(error)) from error
        raise OSError(int(number[1]), os.strerror(int(number[1]))) from error


def csv_text(table: pl.DataFrame) -> str:
    """The table as CSV: UTF-8, ISO dates, decimal points, empty for missing, 12 significant digits.

    A text that begins with = + - @ tab or carriage return and is not a number gets a leading apostrophe, so that a
    spreadsheet does not run it as a formula; so does = + - @ after a semicolon, tab or line end, which a spreadsheet may
    take for the end of a cell. NaN and infinity become empty.
    """
    file = io.BytesIO()
    write_csv(table, file)
    return file.getvalue().decode()


def write_csv(table: pl.DataFrame, file: IO[bytes]) -> None:
    """Write the table as `csv_text` does."""
    headings = [_csv_cell(name) for name in table.columns]
    file.write(f"{','.join(headings)}\n".encode())
    for rows in table.iter_slices(ROWS_AT_ONCE):
        cells = pl.DataFrame([_format_cells(column) for column in rows])
        cells.write_csv(file, include_header=False, quote_style="never")


def _format_cells(column: pl.Series) -> pl.Series:
    """The cells of a column as text."""
    if column.dtype.is_float():
        return _format_numbers(column.cast(pl.Float64))
    if column.dtype == pl.Boolean or column.dtype.is_integer():
        return column
    texts = column.cast(pl.String)
    if column.dtype.is_temporal():
        return texts.str.replace(" ", "T", literal=True).str.strip_suffix(".000000")
    cell = guard_formulas(pl.col(column.name))
    quoted = '"' + cell.str.replace_all('"', '""', literal=True) + '"'
    cell_text = pl.when(cell.str.contains(NEEDS_QUOTES.pattern)).then(quoted).otherwise(cell)
    return texts.to_frame().select(cell_text.alias(column.name)).to_series()


def _csv_cell(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if NEEDS_QUOTES.search(text) else text


def _format_numbers(values: pl.Series) -> pl.Series:
    """Twelve significant digits as in Python's `.12g`; a tie in the 13th digit may round either way."""
    text = values.round_sig_figs(DIGITS).cast(pl.String).str.strip_suffix(".0")
    other = (~values.abs().is_between(MIN_PLAIN, MAX_PLAIN, closed="left").fill_null(False)).arg_true()
    return text.scatter(other, [_format_unusual_number(value) for value in values.gather(other)])


def _format_unusual_number(value: float | None) -> str | None:
    """Text of a number that is missing, not finite, 0, or outside the plain range."""
    if value is None or not math.isfinite(value):
        return None
    return f"{value:.{DIGITS}g}".removeprefix("-" if value == 0 else "")
