"""The limit on how many bleeds a model is fitted to."""

from __future__ import annotations

import numpy as np
import polars as pl

from analysis.stats import is_in_fit_sample

BIKES = pl.Series([f"B{number}" for number in np.random.default_rng(1).integers(0, 400, 3_000)])


def test_all_rows_are_chosen_below_the_limit() -> None:
    assert is_in_fit_sample(BIKES, 3_000, 1).all()


def test_whole_bikes_are_chosen_up_to_the_limit() -> None:
    chosen = is_in_fit_sample(BIKES, 1_000, 1)
    assert 980 < chosen.sum() <= 1_000
    assert not set(BIKES.filter(chosen)) & set(BIKES.filter(~chosen))


def test_the_order_of_the_rows_does_not_matter() -> None:
    order = np.random.default_rng(2).permutation(len(BIKES))
    assert np.array_equal(is_in_fit_sample(BIKES[order], 1_000, 1), is_in_fit_sample(BIKES, 1_000, 1)[order])


def test_another_seed_chooses_other_bikes_at_random() -> None:
    """The share of the lower half of the names, over 200 seeds: 0.5 within four standard errors."""
    assert not np.array_equal(is_in_fit_sample(BIKES, 1_000, 1), is_in_fit_sample(BIKES, 1_000, 2))
    low = BIKES.cast(pl.String).str.slice(1).cast(pl.Int64).to_numpy() < 200
    shares = [low[is_in_fit_sample(BIKES, 1_000, seed)].mean() for seed in range(200)]
    assert abs(np.mean(shares) - low.mean()) < 4 * np.std(shares) / 200**0.5
