"""Quarters of the backtest: a model that is right is rarely called drifting, however much its months vary."""

from __future__ import annotations

import numpy as np
import polars as pl

from analysis.risk.evaluation import TestSet, model_quality

BLEEDS_A_MONTH, RISK = 300, 0.1
QUARTERS = np.repeat([f"2025-Q{q}" for q in range(1, 5)], 3 * BLEEDS_A_MONTH)
MONTHS = np.repeat([f"2025-{m:02d}" for m in range(1, 13)], BLEEDS_A_MONTH)


def quarters(seed: int, sd: float, last: float = 1.0) -> pl.DataFrame:
    """Observed over predicted by quarter where months vary with this standard deviation and the last quarter differs."""
    rng, n = np.random.default_rng(seed), len(MONTHS)
    level = np.repeat(np.exp(rng.normal(-sd * sd / 2, sd, 12)), BLEEDS_A_MONTH)
    level = level * np.where(QUARTERS == "2025-Q4", last, 1.0)
    none, risk = np.zeros(n, dtype=np.int64), np.full(n, RISK)
    came_back = rng.random(n) < RISK * level
    test = TestSet(
        np.arange(n),
        risk,
        {"constant": risk},
        came_back,
        np.arange(n),
        QUARTERS,
        MONTHS,
        technician=none,
        brake_model=none,
    )
    return model_quality(test).filter(pl.col("metric").str.starts_with("quarter_"))


def drifting(table: pl.DataFrame) -> list[str]:
    return table.filter((pl.col("lo") > 1) | (pl.col("hi") < 1)).get_column("metric").to_list()


def test_months_that_vary_do_not_make_quarters_drift() -> None:
    """Of 40 logs; with limits of a Poisson count at 95% each, more than half of them."""
    assert sum(bool(drifting(quarters(seed, 0.25))) for seed in range(40)) <= 6


def test_a_quarter_with_twice_the_comebacks_drifts() -> None:
    assert [drifting(quarters(seed, 0.0, last=2.0)) for seed in range(5)] == [["quarter_2025-Q4"]] * 5
