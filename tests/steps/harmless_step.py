"""A harmless step that is missed more often on longer hoses or later days, where comebacks have other causes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

STEP = "pads_out"
BLEEDS = 20_000
NOT_RECORDED = (
    "technician",
    "brake_model",
    "lever_travel_after_mm",
    "bubbles_first",
    "pump_gain_mm",
    "next_bleed_days",
)


def with_a_harmless_step_missed(workshop, risk, *, late=False):
    """One recorded step, missed more often on longer hoses, or on later days; `risk` maps that position (-1.7 to 1.7) to the
    probability of a comeback."""
    rng = np.random.default_rng(1)
    sample = workshop.bleeds[rng.integers(0, workshop.bleeds.height, BLEEDS)]
    length = rng.uniform(-1.7, 1.7, BLEEDS)
    age, after = sample["age_days"].to_numpy(), rng.integers(1, 60, BLEEDS)
    position = 1.7 - 3.4 * age / age.max() if late else length
    missed = rng.random(BLEEDS) < 1 / (1 + np.exp(-1.7 * position))
    came_back = (rng.random(BLEEDS) < risk(position)) & (after <= age)
    names = pl.Series([f"S{k:06d}" for k in range(BLEEDS)])
    bleeds = sample.with_columns(
        *(pl.lit(None, dtype=sample.schema[name]).alias(name) for name in NOT_RECORDED),
        session_id=names,
        bike_id=names,
        hose_mm=pl.Series(1300 + 200 * length),
        return_days=pl.when(pl.Series(came_back)).then(pl.Series(after)),
        days_at_risk=pl.Series(np.where(came_back, after, age)),
        end=pl.Series(np.where(came_back, "return", "as_of")),
        came_back=pl.Series(came_back),
    )
    others = [pl.lit(None, dtype=pl.Boolean).alias(name) for name in workshop.missed.columns[1:] if name != STEP]
    steps = pl.DataFrame({"session_id": names, STEP: missed}).with_columns(others).select(workshop.missed.columns)
    return replace(workshop, bleeds=bleeds, missed=steps)
