"""Recalibration of log hazards from the whole follow-up to the window."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.risk.hazard_model import recalibration_slope
from analysis.risk.outcome import FollowUp
from analysis.survival import breslow

WINDOW, FOLLOWED = 90, 700


def world(fades: bool, bleeds: int = 12_000, seed: int = 5) -> tuple[np.ndarray, FollowUp]:
    """Bleeds with log hazards of standard deviation 0.8, within the window only or throughout."""
    rng = np.random.default_rng(seed)
    log_hazard = 0.8 * rng.standard_normal(bleeds)
    early = rng.exponential(size=bleeds) / (0.06 / WINDOW * np.exp(log_hazard))
    late = WINDOW + rng.exponential(size=bleeds) / (0.06 / WINDOW * np.exp(0.0 if fades else log_hazard))
    day = np.floor(np.where(early < WINDOW, early, late)).astype(np.int64)
    returned = day < FOLLOWED
    never, followed = np.zeros(bleeds, dtype=bool), np.full(bleeds, FOLLOWED)
    return log_hazard, FollowUp(np.minimum(day, FOLLOWED), returned, never, followed)


def test_a_lasting_effect_keeps_its_slope() -> None:
    assert recalibration_slope(*world(fades=False), WINDOW) == pytest.approx(1.0, abs=0.08)


def test_a_fading_effect_gets_a_larger_slope_within_the_window() -> None:
    """Log hazards as fitted to the whole follow-up: attenuated by late returns."""
    log_hazard, follow_up = world(fades=True)
    assert recalibration_slope(0.4 * log_hazard, follow_up, WINDOW) > 1.5


def test_few_returns_or_equal_hazards_keep_a_slope_of_one() -> None:
    log_hazard, follow_up = world(fades=True)
    some = np.arange(500)
    assert recalibration_slope(log_hazard[some], follow_up.take(some), WINDOW) == 1.0
    assert recalibration_slope(np.zeros(len(log_hazard)), follow_up, WINDOW) == 1.0


def test_the_baseline_of_known_hazards_expects_the_observed_returns() -> None:
    log_hazard, follow_up = world(fades=False)
    early = follow_up.censor_all_at(WINDOW)
    hazard = breslow(log_hazard, early.days, early.returned, np.arange(WINDOW + 1))
    expected = (hazard[early.days] * np.exp(log_hazard)).sum()
    assert expected == pytest.approx(early.returned.sum(), rel=1e-9)
    assert hazard[WINDOW] == pytest.approx(0.06, rel=0.1)
