"""The level of the hazard within the window, where the window's own returns are few and where they are many."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.risk.baseline_hazard import _weibull_baseline, baseline_cumulative_hazard
from analysis.risk.outcome import FollowUp
from analysis.survival import breslow, weibull

WINDOW, FOLLOWED, LEVEL = 90, 600, 0.06


def world(bleeds: int, seed: int, shape: float = 0.7) -> tuple[np.ndarray, FollowUp]:
    """Bleeds whose log hazard lies 0.8 apart around a Weibull curve."""
    rng = np.random.default_rng(seed)
    log_hazard = 0.8 * rng.standard_normal(bleeds)
    days = np.floor(WINDOW * (rng.exponential(size=bleeds) / (LEVEL * np.exp(log_hazard))) ** (1 / shape))
    back = days < FOLLOWED
    return log_hazard, FollowUp(np.minimum(days, FOLLOWED).astype(np.int64), back, np.zeros(bleeds, dtype=bool))


def own_level(log_hazard: np.ndarray, course: FollowUp) -> np.ndarray:
    early = course.limited_to(WINDOW)
    return breslow(log_hazard, early.days, early.returned, np.arange(WINDOW + 1))


def test_with_few_returns_the_level_errs_less_than_the_windows_own() -> None:
    own, moved = [], []
    for seed in range(200):
        log_hazard, course = world(500, seed)
        own.append(np.log(own_level(log_hazard, course)[-1] / LEVEL))
        moved.append(np.log(baseline_cumulative_hazard(log_hazard, course, WINDOW)[-1] / LEVEL))
    assert np.std(moved) < 0.9 * np.std(own)
    assert np.mean(moved) == pytest.approx(0.0, abs=0.03)


def test_with_many_returns_the_level_is_the_windows_own() -> None:
    """Even where no smooth curve fits: half of the returns are left out after the window."""
    log_hazard, course = world(60_000, 3)
    kept = (course.days < WINDOW) | (np.arange(60_000) % 2 == 0)
    cut = course.censor_at(np.where(kept, course.days, WINDOW))
    own, moved = own_level(log_hazard, cut), baseline_cumulative_hazard(log_hazard, cut, WINDOW)
    assert np.log(moved[-1] / own[-1]) == pytest.approx(0.0, abs=0.02)


def test_the_course_of_the_hazard_is_the_windows_own() -> None:
    log_hazard, course = world(500, 4)
    own, moved = own_level(log_hazard, course), baseline_cumulative_hazard(log_hazard, course, WINDOW)
    assert moved * own[-1] == pytest.approx(own * moved[-1])


def test_the_smooth_level_is_a_weibull_fits() -> None:
    """Of hazards all alike the level is that of `analysis.survival.weibull`, checked there against published fits."""
    _, course = world(800, 6)
    fitted = weibull(course.days.astype(float), course.returned)
    assert fitted is not None
    level, variance = _weibull_baseline(np.zeros(800), course, WINDOW)
    assert level == pytest.approx(fitted.shape * np.log(WINDOW / fitted.scale_days), abs=1e-6)
    assert 1 / course.returned.sum() <= variance < 1 / course.limited_to(WINDOW).returned.sum()


def test_no_return_within_the_window_is_no_hazard_in_it() -> None:
    course = FollowUp(np.array([200, 300, 400]), np.array([True, False, True]), np.zeros(3, dtype=bool))
    assert baseline_cumulative_hazard(np.zeros(3), course, WINDOW) == pytest.approx(np.zeros(WINDOW + 1))
