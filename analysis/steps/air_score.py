"""The air that a lever shows on the stand: the signs that tell of it put together into one score a bleed."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
LOW_QUANTILE = 0.1
MIN_RECORDED = 20
FIRM = 0.3
"""What a bleed without any sign of air counts for, in shares of the mean: its logarithm stays finite."""


def air_score(bleeds: pl.DataFrame, excluded: tuple[str, ...] = ()) -> FloatArray | None:
    """The logarithm of the air that the signs show, standardised, one a bleed; None where no such sign was recorded.

    Lever travel beyond the model's own low quantile, bubbles in the first cycle and pump gain each grow with the air
    left; each over its own spread, those recorded of a bleed are averaged. The logarithm is taken because what leaves
    more air does so in proportion. Every bleed weighs in how signs are put together, not only the few that come back. A
    bleed of which no sign was recorded stands at the mean.

    Parameters
    ----------
    bleeds
        All accepted bleeds.
    excluded
        Signs (`travel`, `bubbles`, `pump_gain`) that may not speak.
    """
    signs = {
        "travel": np.maximum(_beyond_low(bleeds), 0),
        "bubbles": _floats(bleeds, "bubbles_first"),
        "pump_gain": np.maximum(_floats(bleeds, "pump_gain_mm"), 0),
    }
    informative = [sign for name, sign in signs.items() if name not in excluded and _varies(sign)]
    if not informative:
        return None
    scaled = np.column_stack([sign / np.nanstd(sign) for sign in informative])
    known = np.isfinite(scaled)
    air = np.where(known, scaled, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    some = known.any(axis=1)
    score = np.log(air / air[some].mean() + FIRM)
    score -= score[some].mean()
    return np.where(some, score / score[some].std(), 0.0)


def _varies(sign: FloatArray) -> bool:
    return bool(np.isfinite(sign).sum() >= MIN_RECORDED and np.nanstd(sign) > 1e-9)


def _beyond_low(bleeds: pl.DataFrame) -> FloatArray:
    low = bleeds.select(
        pl.col("lever_travel_after_mm").quantile(LOW_QUANTILE, "linear").over(pl.col("brake_model").fill_null(""))
    ).to_series()
    return _floats(bleeds, "lever_travel_after_mm") - low.fill_null(float("nan")).to_numpy()


def _floats(bleeds: pl.DataFrame, name: str) -> FloatArray:
    return bleeds.get_column(name).cast(pl.Float64).fill_null(float("nan")).to_numpy().copy()
