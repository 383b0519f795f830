"""A simulated workshop with own columns: a batch of fluid that leads to comebacks, a sign, and a number without meaning."""

from __future__ import annotations

import datetime as dt
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import polars as pl

from analysis.intake import Log, read_log
from synthetic import scenario_workshop, simulate, write_simulation

BAD_BATCH, BATCHES, ADDED_RISK = "L4", 5, 0.25
MAP = """
[sessions.own.fluid_lot]
heading = "fluid_lot"
role = "context"

[sessions.own.lever_feel]
heading = "lever_feel"
type = "number"
role = "sign"

[sessions.own.radio_volume]
heading = "radio_volume"
type = "number"
role = "context"
"""


@cache
def planted_log(sessions: int = 3000, seed: int = 21) -> Log:
    """A quarter of the bleeds with batch L4 come back for that alone; lever_feel is worse before any comeback."""
    rng = np.random.default_rng(seed)
    with TemporaryDirectory() as name:
        folder = Path(name)
        world = simulate(scenario_workshop("base", sessions), seed)
        write_simulation(world, folder)
        bleeds = pl.read_csv(folder / "sessions.csv", infer_schema=False)
        batches = rng.integers(1, BATCHES + 1, bleeds.height)
        returned = bleeds.join(world.truth_bleeds, on="session_id", how="left", maintain_order="left")["return_days"]
        returns = _returns_of(
            bleeds.filter(pl.Series(batches == 4) & pl.Series(rng.random(len(batches)) < ADDED_RISK)), rng, world.as_of
        )
        came_back = bleeds["session_id"].is_in(returns["session_id"].implode()) | returned.is_not_null()
        feel = 1 + 2 * came_back.to_numpy() + rng.exponential(1.0, len(batches)).round(1)
        bleeds.with_columns(
            fluid_lot=pl.Series([f"L{batch}" for batch in batches]),
            lever_feel=pl.Series(feel).cast(pl.String),
            radio_volume=pl.Series(rng.integers(0, 11, len(batches))).cast(pl.String),
        ).write_csv(folder / "sessions.csv")
        recorded = pl.read_csv(folder / "comebacks.csv", infer_schema=False)
        pl.concat([recorded, returns.select(recorded.columns)]).write_csv(folder / "comebacks.csv")
        (folder / "own.toml").write_text(MAP, "utf-8")
        return read_log(
            [str(folder / "sessions.csv"), str(folder / "comebacks.csv"), str(folder / "brakes.csv")],
            str(folder / "own.toml"),
        )


def _returns_of(bleeds: pl.DataFrame, rng: np.random.Generator, as_of: dt.date) -> pl.DataFrame:
    day = bleeds["started_at"].str.slice(0, 10).str.to_date()
    back = day + pl.Series(rng.integers(3, 60, bleeds.height)).cast(pl.Duration("ms")) * 86_400_000
    table = bleeds.select("session_id", "bike_id", "brake").with_columns(
        comeback_id=pl.format("P{}", pl.int_range(pl.len())),
        returned_at=back.cast(pl.String),
        complaint=pl.lit("soft_lever"),
        finding=pl.lit("air"),
        minutes=pl.lit("40"),
        parts_cost=pl.lit("5"),
    )
    return table.filter(back <= as_of)
