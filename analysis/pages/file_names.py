"""Inputs as their reader knows them: a path from the root is shown by its file name."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import PurePosixPath, PureWindowsPath

import polars as pl

from analysis.report import Report
from schemas import validate_table
from schemas.outputs import Intake, SetAside

_FROM_THE_ROOT = re.compile(r"(?<![\w.:/\\])(?:/|[A-Za-z]:\\)(?:[^\s/\\:;,]+[/\\])+(?=[^\s/\\])")


def shorten_file_names(report: Report) -> Report:
    """The report with every path from the root shortened to its file name, in tables of rows and in what was said while
    reading; paths as a user gave them from the working folder stay. Two files of one name keep the folder above them."""
    short = _short_names({one.file for one in report.log.sources} | set(report.intake.get_column("file")))
    log = replace(
        report.log,
        sources=tuple(replace(one, file=short.get(one.file, one.file)) for one in report.log.sources),
        warnings=tuple(_shorten_paths(text, short) for text in report.log.warnings),
    )
    file = pl.col("file").replace(short)
    intake = validate_table(Intake, report.intake.with_columns(file))
    set_aside = validate_table(SetAside, report.set_aside.with_columns(file))
    return replace(report, log=log, intake=intake, set_aside=set_aside)


def _short_names(files: set[str]) -> dict[str, str]:
    rooted = {one: _path_parts(one) for one in files if _is_rooted(one)}
    names = [parts[-1] for parts in rooted.values()]
    return {one: parts[-1] if names.count(parts[-1]) == 1 else "/".join(parts[-2:]) for one, parts in rooted.items()}


def _is_rooted(file: str) -> bool:
    return "://" not in file and (PurePosixPath(file).is_absolute() or PureWindowsPath(file).is_absolute())


def _path_parts(file: str) -> tuple[str, ...]:
    path = PurePosixPath(file) if file.startswith("/") else PureWindowsPath(file)
    return path.parts[1:] or (file,)


def _shorten_paths(text: str, short: dict[str, str]) -> str:
    for long in sorted(short, key=len, reverse=True):
        text = text.replace(long, short[long])
    return _FROM_THE_ROOT.sub("", text)
