"""Write an audit or a check to its folder: CSV and Parquet tables, the log, rejected rows, the manifest."""

from __future__ import annotations

import math
import os
import re
import unicodedata
from io import BytesIO
from pathlib import Path
from typing import IO

import polars as pl

from analysis.intake import Log, for_spreadsheets
from analysis.output.manifest import MANIFEST, manifest_text, run_marker
from analysis.report import Report, Stage
from schemas import AUDIT_TABLES, LOG_TABLES

LONGEST_NAME = 120
"""Bytes of a file's name; most systems end at 255, and the table's name follows."""
RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d|conin\$|conout\$)(\.|$)", re.IGNORECASE)
"""Names that Windows keeps for devices, with any ending."""
RISKY = re.compile(r"^[=+\-@\t\r]")
SPECIAL = re.compile(r'[",;\t\r\n]')
"""In quotes for readers that take another sign for the separator, too: what follows it would be a cell of its own."""
NUMBER = re.compile(r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
DIGITS, MIN_PLAIN, MAX_PLAIN = 12, 1e-4, 1e11
ROWS_AT_ONCE = 200_000


def write_report(folder: Path, report: Report, *, parquet: bool = False) -> None:
    """Write the cleaned log, the rows set aside, every table of an audit and the model file into an empty folder.

    Raises
    ------
    OSError
        The disk is full, or the folder cannot be written.
    """
    write_log(folder, report.log)
    write_tables(folder, report, parquet=parquet)


def write_tables(folder: Path, report: Report, *, parquet: bool = False) -> None:
    """Write every table of an audit, with `parquet` as Parquet beside its CSV, and the model file."""
    tables = folder / "tables"
    tables.mkdir()
    for name in AUDIT_TABLES:
        table: pl.DataFrame = getattr(report, name)
        with (tables / f"{name}.csv").open("wb") as file:
            write_csv(table, file)
        if parquet:
            _write_parquet(table, tables / f"{name}.parquet")
    if report.model_bytes is not None:
        (folder / "model.skops").write_bytes(report.model_bytes)


def write_manifest(folder: Path, report: Report, stages: tuple[Stage, ...]) -> None:
    """Write what went in and what came of it; `stages` tells how long each took, the writing and the pages too."""
    (folder / MANIFEST).write_text(manifest_text(report, stages), encoding="utf-8")


def write_check(folder: Path, log: Log) -> None:
    """Write where each row went, and the log as it was accepted, without an audit."""
    tables = folder / "tables"
    tables.mkdir()
    for name in ("intake", "set_aside"):
        (tables / f"{name}.csv").write_text(csv_text(getattr(log, name)), encoding="utf-8")
    write_log(folder, log)
    marker = run_marker(inputs=log.sources, as_of=log.as_of, notes=list(log.warnings))
    (folder / MANIFEST).write_text(marker, encoding="utf-8")


def write_log(folder: Path, log: Log) -> None:
    """The canonical tables as Parquet and the rows set aside as they stood."""
    (folder / "log").mkdir()
    for name in LOG_TABLES:
        _write_parquet(getattr(log, name), folder / "log" / f"{name}.parquet")
    aside = folder / "set_aside_rows"
    aside.mkdir()
    used: set[str] = set()
    for rejected in log.rejected:
        name = _file_name(Path(rejected.file).name, rejected.table, rejected.suffix, used)
        text = for_spreadsheets(rejected.text) if rejected.suffix == ".csv" else rejected.text
        (aside / name).write_text(text, encoding="utf-8", newline="")


def _file_name(file: str, table: str, suffix: str, used: set[str]) -> str:
    """A name that every system takes, and that differs from those used by more than capitals or composed letters."""
    plain = re.sub(r"[^\w.-]+", "_", unicodedata.normalize("NFC", file))
    short = plain.encode()[:LONGEST_NAME].decode(errors="ignore")
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
    """A disk that is full raises OSError here too: polars calls it a fault of the file."""
    try:
        with path.open("wb") as file:  # a path that is no text polars would not take
            table.write_parquet(file)
    except pl.exceptions.ComputeError as error:
        number = re.search(r"os error (\d+)", str(error))
        if number is None:
            raise OSError(str(error)) from error
        raise OSError(int(number[1]), os.strerror(int(number[1]))) from error


def csv_text(table: pl.DataFrame) -> str:
    """The table's rows under its headings.

    A text that begins with = + - @ tab or carriage return and is not a number gets a leading apostrophe, so that no
    spreadsheet takes it for a formula. NaN and infinity are left empty.
    """
    file = BytesIO()
    write_csv(table, file)
    return file.getvalue().decode()


def write_csv(table: pl.DataFrame, file: IO[bytes]) -> None:
    """Write the same text as UTF-8, a limited number of rows at a time."""
    headings = [_quoted(name) for name in table.columns]
    file.write(f"{','.join(headings)}\n".encode())
    for rows in table.iter_slices(ROWS_AT_ONCE):
        cells = pl.DataFrame([_cells(column) for column in rows])
        cells.write_csv(file, include_header=False, quote_style="never")


def _cells(column: pl.Series) -> pl.Series:
    """Cells as they are written."""
    if column.dtype.is_float():
        return _numbers(column.cast(pl.Float64))
    if column.dtype == pl.Boolean or column.dtype.is_integer():
        return column
    texts = column.cast(pl.String)
    if column.dtype.is_temporal():
        return texts.str.replace(" ", "T", literal=True).str.strip_suffix(".000000")
    risky = texts.str.contains(RISKY.pattern) & ~texts.str.contains(NUMBER.pattern)
    cell = pl.when(risky).then("'" + pl.col(column.name)).otherwise(pl.col(column.name))
    quoted = '"' + cell.str.replace_all('"', '""', literal=True) + '"'
    written = pl.when(cell.str.contains(SPECIAL.pattern)).then(quoted).otherwise(cell)
    return texts.to_frame().select(written.alias(column.name)).to_series()


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if SPECIAL.search(text) else text


def harmless(text: str) -> str:
    """The text as no spreadsheet takes it for a formula."""
    return f"'{text}" if RISKY.match(text) and not NUMBER.match(text) else text


def _numbers(values: pl.Series) -> pl.Series:
    """Twelve significant digits, as Python's `.12g` writes them; a tie in the 13th digit may be rounded either way."""
    text = values.round_sig_figs(DIGITS).cast(pl.String).str.strip_suffix(".0")
    other = (~values.abs().is_between(MIN_PLAIN, MAX_PLAIN, closed="left").fill_null(False)).arg_true()
    return text.scatter(other, [_number(value) for value in values.gather(other)])


def _number(value: float | None) -> str | None:
    """A number that is missing, not finite, 0, or too small or large to be written without an exponent."""
    if value is None or not math.isfinite(value):
        return None
    return f"{value:.{DIGITS}g}".removeprefix("-" if value == 0 else "")
