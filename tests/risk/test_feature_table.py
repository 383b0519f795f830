"""The feature table as arrays."""

from __future__ import annotations

import numpy as np
import polars as pl

from analysis.risk.feature_table import FeatureTable

TABLE = pl.DataFrame(
    {"shop": ["b", None, "a", "b"], "firm": [True, None, False, True], "travel": [1.5, 2.0, None, 4.0]},
    schema={"shop": pl.String, "firm": pl.Boolean, "travel": pl.Float64},
)


def test_numbers_and_flags_are_empty_where_not_recorded() -> None:
    assert np.array_equal(FeatureTable(TABLE).numbers("travel"), [1.5, 2.0, np.nan, 4.0], equal_nan=True)
    assert np.array_equal(FeatureTable(TABLE).numbers("firm"), [1, np.nan, 0, 1], equal_nan=True)


def test_a_category_not_recorded_equals_no_level() -> None:
    shops = FeatureTable(TABLE).categories("shop")
    assert shops.levels == ("a", "b")
    assert [*shops.equal("b")] == [1, 0, 0, 1]
    assert [*shops.equal("elsewhere")] == [0, 0, 0, 0]
    assert [*FeatureTable(TABLE).unrecorded("shop")] == [False, True, False, False]


def test_a_new_field_replaces_the_old_in_the_copy_only() -> None:
    features = FeatureTable(TABLE)
    more = features.with_numbers("travel", np.zeros(4))
    assert [*more.numbers("travel")] == [0, 0, 0, 0]
    assert features.numbers("travel")[0] == 1.5
