"""Standard errors without resampling held against a bootstrap of whole bikes (slow lane).

Source: B. Efron & R. Tibshirani 1993, An Introduction to the Bootstrap (cluster resampling); the infinitesimal jackknife
as a bootstrap's limit, L. A. Jaeckel 1972 (from memory). With 120 resamples a standard deviation has an error of about
6.5%, the mean ratio over some 15 steps (which are not independent) about 3%: a tenth either way is chance and no more.
"""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from analysis.steps import build_design, crude_step_differences, estimate_marginal_effects
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import prepared_of

pytestmark = pytest.mark.truth
RESAMPLES, BLEEDS = 120, 3000


def resampled(data, rng):
    """Bikes drawn with replacement, a bike drawn twice standing as two."""
    bikes = data.bleeds.get_column("bike_id").fill_null("").rank("dense").to_numpy().astype(int) - 1
    sample = rng.integers(0, bikes.max() + 1, bikes.max() + 1)
    rows_of = np.split(np.argsort(bikes, kind="stable"), np.cumsum(np.bincount(bikes))[:-1])
    rows = np.concatenate([rows_of[bike] for bike in sample])
    copy = np.repeat(np.arange(len(sample)), [len(rows_of[bike]) for bike in sample])
    bleeds = data.bleeds[rows].with_columns(bike_id=pl.Series([f"b{c}" for c in copy]))
    return replace(data, bleeds=bleeds, missed=data.missed[rows])


@pytest.mark.parametrize("name", ["loglinear", "repeats"])
def test_the_jackknife_equals_a_bootstrap_of_bikes(name):
    prepared = prepared_of(simulate(scenario_workshop(name, BLEEDS), 60_000))
    raw = crude_step_differences(prepared)
    is_met = raw["recorded"] - raw["missed"]
    steps = tuple(raw.filter((raw["missed"] >= 30) & (is_met >= 30))["step"])
    message = estimate_marginal_effects(prepared, build_design(prepared, steps))
    rng = np.random.default_rng(1)
    draws = np.array([_prevented(resampled(prepared, rng), steps) for _ in range(RESAMPLES)])
    ratio = message.sd / draws.std(axis=0, ddof=1)
    assert 0.9 < ratio.mean() < 1.15
    assert ratio.min() > 0.7


def _prevented(data, steps):
    return estimate_marginal_effects(data, build_design(data, steps)).prevented
