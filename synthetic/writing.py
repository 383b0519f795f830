"""A made log written as canonical files: sessions.csv, comebacks.csv, and truth/ beside them."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from synthetic.made import Made

BESIDE = ("passes", "technicians", "coaching", "brakes")
TRUTHS = ("bleeds", "steps", "technicians", "events", "stories")


def write_made(made: Made, folder: Path | str) -> None:
    """Write `sessions.csv`, `comebacks.csv` and `truth/*.csv` into `folder` (made if need be).

    The optional tables (passes, technicians, coaching, brakes) are written where they have rows.
    """
    folder = Path(folder)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    _write(made.sessions, folder / "sessions.csv")
    _write(made.comebacks, folder / "comebacks.csv")
    for name in BESIDE:
        table: pl.DataFrame = getattr(made, name)
        if table.height:
            _write(table, folder / f"{name}.csv")
    for name in TRUTHS:
        _write(getattr(made, f"truth_{name}"), folder / "truth" / f"{name}.csv")


def _write(table: pl.DataFrame, path: Path) -> None:
    table.write_csv(path, datetime_format="%Y-%m-%dT%H:%M:%S")
