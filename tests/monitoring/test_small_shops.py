"""Shops too small for control charts are still listed."""

import numpy as np
import polars as pl

from analysis.monitoring import monthly_rates
from analysis.rates import expected_risk
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import prepared_of


def test_a_shop_too_small_to_chart_is_listed_with_all_bleeds():
    ready = prepared_of(simulate(scenario_workshop("base", 700), 3))
    rng = np.random.default_rng(1)
    table = monthly_rates(ready, expected_risk(ready, rng), rng)
    charts = table.group_by("group").agg(charted=pl.col("centre").count() > 0)
    assert charts.get_column("charted").any()
    assert set(table.get_column("group")) == {"all", "Tarnholt", "Velmoor", "Quay Street"}
