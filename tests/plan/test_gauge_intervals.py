"""Limits of a gauge study against the simulated truth, and studies refused."""

import numpy as np
import polars as pl
import pytest

from analysis.plan import gauge_study


def simulated(rng, items=10, technicians=4, repeats=3):
    item = rng.normal(0, 1.0, items)
    technician = rng.normal(0, 0.3, technicians)
    rows = [
        {"item": f"i{i}", "technician": f"t{t}", "reading": 20 + item[i] + technician[t] + rng.normal(0, 0.4)}
        for i in range(items)
        for t in range(technicians)
        for _ in range(repeats)
    ]
    return pl.DataFrame(rows)


def test_95_percent_limits_of_repeatability_cover_the_truth():
    rng = np.random.default_rng(11)
    covered = 0
    for _ in range(200):
        row = gauge_study(simulated(rng), rng).table.row(0, named=True)
        covered += row["lo"] <= 0.4 <= row["hi"]
    assert 180 <= covered <= 199  # 95% of 200 within a 99.9% binomial interval


def test_one_technician_alone_is_refused():
    readings = pl.DataFrame({"item": ["a", "b"] * 2, "technician": ["t"] * 4, "reading": [1.0, 2.0, 1.1, 2.1]})
    with pytest.raises(ValueError, match="two technicians"):
        gauge_study(readings, np.random.default_rng(1))


def test_a_noisy_reading_is_not_to_be_relied_on():
    rng = np.random.default_rng(3)
    readings = simulated(rng).with_columns(pl.col("reading") + pl.Series(rng.normal(0, 5, 120)))
    assert "Do not judge" in gauge_study(readings, rng).verdict
