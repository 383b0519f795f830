"""A finished audit as files: tables, log, rows to mend, manifest."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from analysis.asked import Asked
from analysis.hands import Hands
from analysis.intake import Log
from analysis.output.csv_text import AT_ONCE, csv_heading, csv_parts, csv_rows, csv_text
from analysis.output.folder import MANIFEST, sync
from analysis.output.manifest import manifest_text, mark_text
from analysis.report import Report, Stage
from schemas import AUDIT_TABLES, LOG_TABLES

LONG = 100_000
"""Rows; of fewer a table is written sooner than others are told of it."""


@dataclass(frozen=True)
class Long:
    """What is long of an audit of many bleeds, on its way: the rows of risk.csv, and the log that is being written; and
    the thread that sees it on the disk."""

    risk: list[Asked[bytes]]
    log: Future[None]
    beside: ThreadPoolExecutor


@contextmanager
def long_asked(folder: Path, report: Report, hands: Hands) -> Iterator[Long | None]:
    """Begin what is long before `write_report` wants it; None where bleeds are few or nobody is there to help.

    Parameters
    ----------
    folder
        An empty folder.
    report
        What the audit found.
    hands
        Who makes text of tables, while a thread beside this one writes the log.
    """
    if not hands.beside or report.risk.height < LONG:
        yield None
        return
    with ThreadPoolExecutor(1) as beside:
        log = beside.submit(_write_log_to_the_disk, folder, report.log)
        yield Long([hands.ask(csv_rows, rows) for rows in report.risk.iter_slices(AT_ONCE)], log, beside)


def write_report(folder: Path, report: Report, *, parquet: bool = False, long: Long | None = None) -> None:
    """Write every table of an audit, the cleaned log, the rows set aside and the model file.

    Parameters
    ----------
    folder
        An empty folder, or that of `long`.
    report
        What the audit found.
    parquet
        Write each table as Parquet beside its CSV.
    long
        What is on its way.

    Raises
    ------
    OSError
        The disk is full, or the folder cannot be written.
    """
    for text in reversed(long.risk if long else []):
        text.begin()
    tables = folder / "tables"
    tables.mkdir()
    for name in AUDIT_TABLES:
        table: pl.DataFrame = getattr(report, name)
        rows = [csv_heading(table), *(text() for text in long.risk)] if long and name == "risk" else csv_parts(table)
        with (tables / f"{name}.csv").open("wb") as file:
            file.writelines(rows)
        if parquet:
            _write_parquet(table, tables / f"{name}.parquet")
    if long:
        long.log.result()
        long.beside.submit(sync, tables)
    else:
        write_log(folder, report.log)
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
    told = mark_text("check", inputs=log.sources, as_of=log.as_of, notes=list(log.warnings))
    (folder / MANIFEST).write_text(told, encoding="utf-8")


def write_log(folder: Path, log: Log) -> None:
    """The canonical tables as Parquet and the rows set aside as they stood."""
    (folder / "log").mkdir()
    for name in LOG_TABLES:
        _write_parquet(getattr(log, name), folder / "log" / f"{name}.parquet")
    aside = folder / "set_aside_rows"
    aside.mkdir()
    used: set[str] = set()
    for rejected in log.rejected:
        stem = re.sub(r"[^\w.-]+", "_", Path(rejected.file).name)[:80] + f".{rejected.table}"
        name = stem + rejected.suffix
        number = 2
        while name in used:
            name, number = f"{stem}.{number}{rejected.suffix}", number + 1
        used.add(name)
        (aside / name).write_text(rejected.text, encoding="utf-8", newline="")


def _write_log_to_the_disk(folder: Path, log: Log) -> None:
    write_log(folder, log)
    sync(folder / "log")


def _write_parquet(table: pl.DataFrame, path: Path) -> None:
    """A disk that is full raises OSError here too: polars calls it a fault of the file."""
    try:
        table.write_parquet(path)
    except pl.exceptions.ComputeError as error:
        number = re.search(r"os error (\d+)", str(error))
        if number is None:
            raise OSError(str(error)) from error
        raise OSError(int(number[1]), os.strerror(int(number[1]))) from error
