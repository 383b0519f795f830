"""How much memory a bleed takes, so that an audit of a million bleeds stays below 4 GB.

Measured: 1,225 bytes per bleed at most while reading, 510 left of a prepared log, 1,860 at most while the design is
made (110 columns in double precision are 880; a fit sees at most 50,000 bleeds).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from synthetic import scenario_workshop, simulate, write_simulation

ALL_GIVEN_BACK = "dirty_decay_ms:0,muzzy_decay_ms:0"
"""polars' allocator keeps nothing that was freed, so that what is counted is what lies there."""
IDS = ("session_id", "bike_id", "comeback_id")


@pytest.fixture(scope="module")
def allocated(tmp_path_factory: pytest.TempPathFactory) -> dict[str, float]:
    folder = tmp_path_factory.mktemp("logs")
    write_simulation(simulate(scenario_workshop("base", 2_000), 5), folder / "made")
    for name, times in (("small", 1), ("large", 60)):
        (folder / name).mkdir()
        for table in ("sessions", "comebacks"):
            many(folder / "made" / f"{table}.csv", times).write_parquet(folder / name / f"{table}.parquet")
    ran = subprocess.run(
        [sys.executable, "-m", "tests.held_bytes", str(folder / "small"), str(folder / "large")],
        env={**os.environ, "_RJEM_MALLOC_CONF": ALL_GIVEN_BACK, "OMP_NUM_THREADS": "1"},
        cwd=Path(__file__).parents[1],
        capture_output=True,
        text=True,
        check=True,
    )
    return dict(json.loads(ran.stdout))


def many(file: Path, times: int) -> pl.DataFrame:
    """A table so many times below itself, bikes and rows under ids of their own."""
    table = pl.read_csv(file, try_parse_dates=True, infer_schema_length=None)
    ids = [name for name in IDS if name in table.columns]
    return pl.concat(
        table.with_columns(pl.format("{}-{}", pl.lit(f"{turn:02}"), name).alias(name) for name in ids)
        for turn in range(times)
    )


def test_reading_takes_little_more_than_the_log(allocated: dict[str, float]) -> None:
    assert allocated["read"] < 1_300


def test_a_prepared_log_lies_in_memory_once(allocated: dict[str, float]) -> None:
    assert allocated["prepared"] < 700


def test_a_design_takes_little_more_than_its_columns(allocated: dict[str, float]) -> None:
    """110 columns in double precision are 880 bytes; the design and one copy of it."""
    assert allocated["designed"] < 2_000
