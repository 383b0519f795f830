"""Options that several commands share, and their parsers."""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from analysis.audit_options import ShopDay
from analysis.days import day_of

Exports = Annotated[list[str], typer.Argument(metavar="EXPORT", help="Files, folders or databases (URL#table).")]
OutFolder = Annotated[
    Path,
    typer.Option(
        "--out",
        metavar="DIR",
        help="Folder to write; a folder from an earlier run is replaced unless its files were edited.",
    ),
]
MapFile = Annotated[
    Path | None, typer.Option("--map", metavar="FILE", help="Map of your own headings and values (TOML).")
]
StandardFile = Annotated[
    Path | None, typer.Option("--standard", metavar="FILE", help="The workshop's own procedure (TOML).")
]
StandardFiles = Annotated[
    list[Path] | None,
    typer.Option(
        "--standard",
        metavar="FILE",
        help="The workshop's own procedure (TOML); repeat for versions, each with its adopted_on and shops.",
    ),
]
Day = Annotated[str | None, typer.Option("--as-of", metavar="DATE", help="Last day the exports cover.")]
ReturnsFrom = Annotated[
    list[str] | None,
    typer.Option(metavar="[SHOP=]DATE", help="First day returns were recorded; repeat for each workshop that differs."),
]
ReturnsTo = Annotated[
    list[str] | None,
    typer.Option(metavar="[SHOP=]DATE", help="Last day returns were recorded; repeat for each workshop that differs."),
]
Groups = Annotated[
    list[str] | None,
    typer.Option(
        "--group", metavar="COLUMN", help="Compare the bleeds by this column too, as by fluid lot and kit; repeatable."
    ),
]
Cluster = Annotated[str | None, typer.Option(metavar="ADDRESS", help="Address of a running Dask scheduler.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit with status 1 if any row was rejected.")]

HideNames = Annotated[
    bool,
    typer.Option("--hide-names", help="Replace names with codes; the key is saved next to the folder."),
]


@contextmanager
def progress() -> Iterator[Callable[[str], None]]:
    """Show the current stage and the time taken on a terminal's standard error; cleared at the end."""
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
    """The path as text; None stays None."""
    return None if path is None else str(path)


def shop_days_of(texts: list[str] | None, option: str) -> tuple[ShopDay, ...]:
    """Parse `DATE` (all workshops) and `SHOP=DATE` (one workshop).

    Raises
    ------
    UserError
        One of them is not a date.
    """
    days: list[ShopDay] = []
    for text in texts or []:
        shop, equals, day = text.rpartition("=")
        days.append((shop if equals else None, day_of(day, option) or dt.date.min))
    return tuple(days)
