"""Expected baseline hazard: up to the window, the next bleed, or its expectation over other brakes' gaps."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from analysis.dataset import BleedData
from analysis.standard import built_in
from analysis.steps.marginal_effects import expected_baseline_hazard
from analysis.survival import CoxModel

DAYS = np.array([2, 4, 6, 8, 10, 10])
RETURNED = np.array([True, True, True, True, False, False])
HAZARD = np.cumsum([1 / 6, 1 / 5, 1 / 4, 1 / 3])  # Nelson-Aalen after days 2, 4, 6, 8


def hazards(ages, gaps, window=8):
    model = CoxModel.fit(np.zeros((6, 0)), DAYS, RETURNED)
    bleeds = pl.DataFrame({"age_days": ages, "next_bleed_days": gaps}, schema_overrides={"next_bleed_days": pl.Int64})
    return expected_baseline_hazard(BleedData(bleeds, pl.DataFrame(), built_in(), dt.date(2026, 1, 1), window), model)


def test_an_old_bleed_is_at_risk_to_the_window_or_the_next_bleed():
    assert hazards([50, 50], [None, 5]).tolist() == pytest.approx([HAZARD[3], HAZARD[1]])


def test_a_recent_bleed_has_the_expectation_over_other_brakes_gaps():
    hazard = hazards([50, 50, 50, 50, 3], [None, None, 5, 5, None])
    assert hazard[-1] == pytest.approx(0.5 * HAZARD[3] + 0.5 * HAZARD[1])  # half the brakes had a next bleed on day 5
