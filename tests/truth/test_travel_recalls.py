"""Lever travel alone recalls brakes with much air in them, and none of the firm ones, in simulated workshops."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from analysis.standard import built_in, holds
from synthetic import CO_OPERATIVE, simulate
from tests.simulated_logs import log_of_made

pytestmark = pytest.mark.truth
FIRM_ML = 0.115
"""Air below which the simulated lever is soft in less than 5 of 100 pulls (1 / (1 + e^3) = 4.7%)."""


def test_no_firm_brake_is_recalled_for_its_travel() -> None:
    recalled = 0
    for seed in range(500, 540):
        log = simulate(replace(CO_OPERATIVE, sessions=1500), seed)
        rows = holds(log_of_made(log), built_in()).filter(pl.col("rule") == "long_travel")
        air = rows.join(log.truth_bleeds, on="session_id", how="left").get_column("air_ml")
        assert (air > FIRM_ML).all()
        recalled += rows.height
    assert recalled > 1_000
