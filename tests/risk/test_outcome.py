"""What the window's own returns say of log hazards learnt from the whole follow-up."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.risk.outcome import FollowUp, recalibration_slope
from analysis.survival import breslow

WINDOW, FOLLOWED = 90, 700


def world(fades: bool, bleeds: int = 12_000, seed: int = 5) -> tuple[np.ndarray, FollowUp]:
    """Bleeds whose log hazard lies 0.8 apart, for the window alone or for ever."""
    rng = np.random.default_rng(seed)
    log_hazard = 0.8 * rng.standard_normal(bleeds)
    early = rng.exponential(size=bleeds) / (0.06 / WINDOW * np.exp(log_hazard))
    late = WINDOW + rng.exponential(size=bleeds) / (0.06 / WINDOW * np.exp(0.0 if fades else log_hazard))
    day = np.floor(np.where(early < WINDOW, early, late)).astype(np.int64)
    back = day < FOLLOWED
    return log_hazard, FollowUp(np.minimum(day, FOLLOWED), back, np.zeros(bleeds, dtype=bool))


def test_harm_that_stays_keeps_its_slope() -> None:
    assert recalibration_slope(*world(fades=False), WINDOW) == pytest.approx(1.0, abs=0.08)


def test_harm_that_fades_is_told_whole_within_the_window() -> None:
    """Log hazards as a fit to the whole follow-up would tell them: pulled together by late returns."""
    log_hazard, course = world(fades=True)
    assert recalibration_slope(0.4 * log_hazard, course, WINDOW) > 1.5


def test_few_returns_or_hazards_all_alike_tell_no_slope() -> None:
    log_hazard, course = world(fades=True)
    some = np.arange(500)
    assert recalibration_slope(log_hazard[some], course.take(some), WINDOW) == 1.0
    assert recalibration_slope(np.zeros(len(log_hazard)), course, WINDOW) == 1.0


def test_the_baseline_of_known_hazards_expects_as_many_returns_as_came() -> None:
    log_hazard, course = world(fades=False)
    early = course.limited_to(WINDOW)
    hazard = breslow(log_hazard, early.days, early.returned, np.arange(WINDOW + 1))
    expected = (hazard[early.days] * np.exp(log_hazard)).sum()
    assert expected == pytest.approx(early.returned.sum(), rel=1e-9)
    assert hazard[WINDOW] == pytest.approx(0.06, rel=0.1)
