"""Options that several commands share, and how they are read."""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from analysis.audit_options import ShopDay
from analysis.errors import UserError

Exports = Annotated[list[str], typer.Argument(metavar="EXPORT...", help="Files, folders or databases (URL#table).")]
OutFolder = Annotated[
    Path,
    typer.Option(
        "--out",
        metavar="DIR",
        help="The folder to write; an earlier run's is replaced unless somebody changed its files.",
    ),
]
MapFile = Annotated[Path | None, typer.Option("--map", metavar="FILE", help="The map for foreign headings (TOML).")]
StandardFile = Annotated[
    Path | None, typer.Option("--standard", metavar="FILE", help="The shop's written procedure (TOML).")
]
Day = Annotated[str | None, typer.Option("--as-of", metavar="DATE", help="The day up to which the exports tell all.")]
ReturnsFrom = Annotated[
    list[str] | None,
    typer.Option(metavar="[SHOP=]DATE", help="First day returns were recorded; once for each shop that differs."),
]
ReturnsTo = Annotated[
    list[str] | None,
    typer.Option(metavar="[SHOP=]DATE", help="Last day returns were recorded; once for each shop that differs."),
]
Cluster = Annotated[str | None, typer.Option(metavar="ADDRESS", help="An existing Dask scheduler.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit 1 if any row was set aside.")]


@contextmanager
def progress() -> Iterator[Callable[[str], None]]:
    """What is being done and for how long, on standard error of a terminal only; gone when it is done."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as display:
        task = display.add_task("starting", total=None)
        yield lambda stage: display.update(task, description=stage)


def text_of(path: Path | None) -> str | None:
    return None if path is None else str(path)


def shop_days_of(texts: list[str] | None, option: str) -> tuple[ShopDay, ...]:
    """Days as an option gives them: of all shops, or of the shop before the last equals sign.

    Raises
    ------
    UserError
        One is no day.
    """
    days: list[ShopDay] = []
    for text in texts or []:
        shop, equals, day = text.rpartition("=")
        days.append((shop if equals else None, day_of(day, option) or dt.date.min))
    return tuple(days)


def day_of(text: str | None, option: str) -> dt.date | None:
    """A day as an option gives it.

    Raises
    ------
    UserError
        It is no day.
    """
    if text is None:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise UserError(option, f"{text!r} is no date", "a day such as 2026-06-30", "write year-month-day") from error
