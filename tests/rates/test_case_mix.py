"""The columns of the case mix."""

import polars as pl

from analysis.rates import covariate_patterns


def test_of_very_many_brake_models_only_the_most_frequent_have_a_column():
    models = [f"M{i % 1_000}" for i in range(1_000)] + ["M7"] * 20
    patterns = covariate_patterns(pl.DataFrame({"brake_model": models}), ("brake_model",))
    assert patterns.x.shape == (1_000, 300)
    assert patterns.x[patterns.pattern_index].sum() == 299 + 21
