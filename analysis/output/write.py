"""A finished audit as files: tables, log, rows to mend, manifest."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl

from analysis.intake import Log
from analysis.output.csv_text import csv_parts, csv_text
from analysis.output.folder import MANIFEST
from analysis.output.manifest import manifest_text, mark_text
from analysis.report import Report, Stage
from schemas import AUDIT_TABLES, LOG_TABLES


def write_report(folder: Path, report: Report, *, stages: tuple[Stage, ...], parquet: bool = False) -> None:
    """Write every table of an audit, the cleaned log, the rows set aside, the model file and the manifest.

    Parameters
    ----------
    folder
        An empty folder.
    report
        What the audit found.
    stages
        How long each stage took, the pages too.
    parquet
        Write each table as Parquet beside its CSV.
    """
    tables = folder / "tables"
    tables.mkdir()
    for name in AUDIT_TABLES:
        table: pl.DataFrame = getattr(report, name)
        with (tables / f"{name}.csv").open("w", encoding="utf-8") as file:
            file.writelines(csv_parts(table))
        if parquet:
            table.write_parquet(tables / f"{name}.parquet")
    write_log(folder, report.log)
    if report.model_bytes is not None:
        (folder / "model.skops").write_bytes(report.model_bytes)
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
        getattr(log, name).write_parquet(folder / "log" / f"{name}.parquet")
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
