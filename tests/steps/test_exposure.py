"""How long each bleed is exposed: to the window, to the brake's next bleed, or to what the others' gaps foretell."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from analysis.dataset import BleedData
from analysis.standard import built_in
from analysis.steps.marginal_effects import expected_exposure
from analysis.survival import CoxModel

DAYS = np.array([2, 4, 6, 8, 10, 10])
RETURNED = np.array([True, True, True, True, False, False])
HAZARD = np.cumsum([1 / 6, 1 / 5, 1 / 4, 1 / 3])  # Nelson-Aalen after days 2, 4, 6, 8


def exposures(ages, gaps, window=8):
    model = CoxModel.fit(np.zeros((6, 0)), DAYS, RETURNED)
    bleeds = pl.DataFrame({"age_days": ages, "next_bleed_days": gaps}, schema_overrides={"next_bleed_days": pl.Int64})
    return expected_exposure(BleedData(bleeds, pl.DataFrame(), built_in(), dt.date(2026, 1, 1), window), model)


def test_an_old_bleed_is_exposed_to_the_window_or_to_the_next_bleed():
    assert exposures([50, 50], [None, 5]).tolist() == pytest.approx([HAZARD[3], HAZARD[1]])


def test_a_young_bleed_is_exposed_to_what_the_others_gaps_foretell():
    found = exposures([50, 50, 50, 50, 3], [None, None, 5, 5, None])
    assert found[-1] == pytest.approx(0.5 * HAZARD[3] + 0.5 * HAZARD[1])  # half the brakes came again on day 5
