"""Columns made some rows at a time are those made at once."""

from __future__ import annotations

import numpy as np

from analysis.regression import parts_of
from analysis.steps.columns import beside, centred, grouped, standardised, tick, varying

BLEEDS = 20_000
"""More than two chunks."""


def test_rows_made_in_parts_are_the_dense_columns_less_their_means() -> None:
    rng = np.random.default_rng(8)
    codes, reading = rng.integers(0, 3, BLEEDS), rng.normal(40, 5, BLEEDS)
    reading[::7] = np.nan
    groups, by = rng.normal(size=(4, 2)), rng.integers(0, 4, BLEEDS)
    parts = [
        beside(["one", "two"], [tick(codes, 1), tick(codes, 2)], 1.0),
        beside(["reading", "not recorded"], standardised(reading), 1.0),
        grouped(["a", "b"], groups, by, 1.0),
    ]
    scaled = np.nan_to_num((reading - np.nanmean(reading)) / np.nanstd(reading))
    dense = np.column_stack([codes == 1, codes == 2, scaled, np.isnan(reading), groups[by]])
    made = centred(parts, BLEEDS, np.float64)
    by_parts = np.vstack([made(part) for part in parts_of(BLEEDS)])
    np.testing.assert_array_equal(by_parts, made(slice(0, BLEEDS)))
    np.testing.assert_allclose(by_parts, dense - dense.mean(axis=0), rtol=0, atol=1e-12)


def test_a_column_that_never_changes_is_left_out() -> None:
    codes = np.ones(BLEEDS, dtype=np.uint8)
    codes[0] = 0
    part = varying(["once", "never"], [tick(codes, 0), tick(codes, 2)], BLEEDS, 1.0)
    assert list(part.names) == ["once"]
