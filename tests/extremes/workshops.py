"""Logs at the edge of what can be estimated: all or none come back, one step decides, one group, nothing varies."""

from __future__ import annotations

import numpy as np
import polars as pl

BLEEDS, DAYS = 360, 500


def usual(rng: np.random.Generator) -> pl.DataFrame:
    """Bleeds of four people on three models, half followed for long; `back` says who comes back."""
    n = BLEEDS
    start = np.datetime64("2025-01-01") + np.sort(rng.integers(0, DAYS, n)).astype("timedelta64[D]")
    return pl.DataFrame(
        {
            "session_id": [f"S{i:04d}" for i in range(n)],
            "bike_id": [f"B{i:04d}" for i in range(n)],
            "brake": rng.choice(["front", "rear"], n),
            "technician": rng.choice(["Wren", "Hazel", "Isle", "Alder"], n),
            "shop": rng.choice(["Quay", "Hill"], n),
            "brake_model": rng.choice(["Basalt", "Gneiss", "Schist"], n),
            "job_reason": rng.choice(["scheduled", "soft_lever"], n),
            "started_at": start,
            "kit_purged": rng.random(n) < 0.8,
            "pads_out": rng.random(n) < 0.7,
            "cycles": rng.integers(1, 5, n),
            "lever_reach_mm": np.round(rng.normal(78, 3, n), 1),
            "lever_travel_after_mm": np.round(rng.normal(22, 2, n), 1),
            "bubbles_last": rng.poisson(0.3, n),
            "back": rng.random(n) < 0.2,
        }
    )


def all_back(log: pl.DataFrame) -> pl.DataFrame:
    return log.with_columns(back=pl.lit(True))


def none_back(log: pl.DataFrame) -> pl.DataFrame:
    return log.with_columns(back=pl.lit(False))


def one_back(log: pl.DataFrame) -> pl.DataFrame:
    return log.with_columns(back=pl.int_range(pl.len()) == 3)


def a_step_decides(log: pl.DataFrame) -> pl.DataFrame:
    """Separation: whoever left air in the kit comes back, nobody else."""
    return log.with_columns(back=~pl.col("kit_purged"))


def a_person_decides(log: pl.DataFrame) -> pl.DataFrame:
    return log.with_columns(back=pl.col("technician") == "Wren")


def one_of_each(log: pl.DataFrame) -> pl.DataFrame:
    """One person, shop, model, brake, reason."""
    one = {"technician": "Wren", "shop": "Quay", "brake_model": "Basalt", "brake": "front", "job_reason": "scheduled"}
    return log.with_columns(pl.lit(word).alias(name) for name, word in one.items())


def nothing_varies(log: pl.DataFrame) -> pl.DataFrame:
    return log.with_columns(
        kit_purged=pl.lit(True), pads_out=pl.lit(True), cycles=pl.lit(2), lever_reach_mm=pl.lit(78.0),
        lever_travel_after_mm=pl.lit(22.0), bubbles_last=pl.lit(0),
    )  # fmt: skip


def steps_go_together(log: pl.DataFrame) -> pl.DataFrame:
    """Collinear: three steps are missed in the same bleeds."""
    cycles = pl.when("kit_purged").then(3).otherwise(1)
    return log.with_columns(pads_out=pl.col("kit_purged"), cycles=cycles)


def a_day_of_work(log: pl.DataFrame) -> pl.DataFrame:
    """All bleeds on one day, returns on the next."""
    return log.with_columns(started_at=pl.lit("2025-01-01").str.to_date())


def huge_travel(log: pl.DataFrame) -> pl.DataFrame:
    """A reading at the end of its range beside the usual ones."""
    return log.with_columns(lever_travel_after_mm=pl.when(pl.int_range(pl.len()) == 7).then(120.0).otherwise(0.1))


WORLDS = (
    usual, all_back, none_back, one_back, a_step_decides, a_person_decides, one_of_each, nothing_varies,
    steps_go_together, a_day_of_work, huge_travel,
)  # fmt: skip
