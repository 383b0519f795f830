"""Columns made some rows at a time are those made at once, written out or a row a level."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.regression import Grouped, parts_of
from analysis.steps import columns
from analysis.steps.columns import Levels, Part, centred, grouped, standardised, ticked, ticks, varying

BLEEDS = 20_000
"""More than two chunks."""


@pytest.fixture
def made_of():
    """Parts of every kind, and their columns written out."""
    rng = np.random.default_rng(8)
    codes, reading = rng.integers(0, 3, BLEEDS), rng.normal(40, 5, BLEEDS)
    reading[::7] = np.nan
    groups, by = rng.normal(size=(4, 2)), rng.integers(0, 4, BLEEDS)
    parts = [
        Part(["one", "two"], ticks(Levels(codes)), 1.0),
        Part(["reading", "not recorded"], standardised(reading), 1.0),
        grouped(["a", "b"], groups, Levels(by), 1.0),
        Part(["no brake like it", "never"], [ticked(codes > 1), ticked(codes > 2)], 1.0),
    ]
    scaled = np.nan_to_num((reading - np.nanmean(reading)) / np.nanstd(reading))
    dense = np.column_stack([codes == 1, codes == 2, scaled, np.isnan(reading), groups[by], codes > 1, codes > 2])
    return parts, dense - dense.mean(axis=0)


def test_rows_made_in_parts_are_the_dense_columns_less_their_means(made_of) -> None:
    parts, dense = made_of
    made = centred(parts, BLEEDS, np.float64)
    by_parts = np.vstack([made(part) for part in parts_of(BLEEDS)])
    np.testing.assert_array_equal(by_parts, made(slice(0, BLEEDS)))
    np.testing.assert_allclose(by_parts, dense, rtol=0, atol=1e-12)


@pytest.mark.parametrize("most_levels", [1, 4, 9, 1_000])
def test_rows_kept_by_level_are_the_same_however_few_levels_are_put_together(made_of, monkeypatch, most_levels) -> None:
    parts, dense = made_of
    monkeypatch.setattr(columns, "GROUPED_FROM", 0)
    monkeypatch.setattr(columns, "MOST_LEVELS", most_levels)
    made = centred(parts, BLEEDS, np.float64)(slice(0, BLEEDS))
    assert isinstance(made, Grouped)
    assert made.own.shape == (BLEEDS, 1)
    assert all(len(one.rows) <= max(most_levels, 4) for one in made.factors)
    np.testing.assert_allclose(made[:], dense, rtol=0, atol=1e-12)


def test_a_column_that_never_changes_is_left_out() -> None:
    codes = np.ones(BLEEDS, dtype=np.uint8)
    codes[0] = 0
    part = varying(["once", "never"], [ticked(codes == 0), ticked(codes == 2)], BLEEDS, 1.0)
    assert list(part.names) == ["once"]
