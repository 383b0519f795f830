"""Write a simulated log as files that need no map."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from synthetic.simulate import SimulatedLog

OPTIONAL_TABLES = ("passes", "technicians", "coaching", "brakes", "actions")
TRUTH_TABLES = ("bleeds", "steps", "technicians", "events", "planted")


def write_simulation(log: SimulatedLog, folder: Path | str) -> None:
    """Write `sessions.csv`, `comebacks.csv` and `truth/*.csv` into `folder`, which is created if needed.

    The optional tables (passes, technicians, coaching, brakes, actions) are written if they have rows.
    """
    folder = Path(folder)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    _write_csv(log.sessions, folder / "sessions.csv")
    _write_csv(log.comebacks, folder / "comebacks.csv")
    for name in OPTIONAL_TABLES:
        table: pl.DataFrame = getattr(log, name)
        if table.height:
            _write_csv(table, folder / f"{name}.csv")
    for name in TRUTH_TABLES:
        _write_csv(getattr(log, f"truth_{name}"), folder / "truth" / f"{name}.csv")


def _write_csv(table: pl.DataFrame, path: Path) -> None:
    with path.open("wb") as file:  # polars cannot open a path that is not valid UTF-8
        table.write_csv(file, datetime_format="%Y-%m-%dT%H:%M:%S")
