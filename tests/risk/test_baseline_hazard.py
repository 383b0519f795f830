"""The baseline hazard within the window, with few and with many returns there."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.risk.hazard_model import _weibull_baseline, baseline_cumulative_hazard
from analysis.risk.outcome import FollowUp
from analysis.survival import breslow, weibull

WINDOW, FOLLOWED, LEVEL = 90, 600, 0.06


def world(bleeds: int, seed: int, shape: float = 0.7) -> tuple[np.ndarray, FollowUp]:
    """Bleeds with Weibull hazards; the log hazard has standard deviation 0.8."""
    rng = np.random.default_rng(seed)
    log_hazard = 0.8 * rng.standard_normal(bleeds)
    days = np.floor(WINDOW * (rng.exponential(size=bleeds) / (LEVEL * np.exp(log_hazard))) ** (1 / shape))
    returned = days < FOLLOWED
    days = np.minimum(days, FOLLOWED).astype(np.int64)
    return log_hazard, FollowUp(days, returned, np.zeros(bleeds, dtype=bool), np.full(bleeds, FOLLOWED))


def window_hazard(log_hazard: np.ndarray, follow_up: FollowUp) -> np.ndarray:
    early = follow_up.censor_all_at(WINDOW)
    return breslow(log_hazard, early.days, early.returned, np.arange(WINDOW + 1))


def test_with_few_returns_the_level_has_a_smaller_error_than_the_windows_own() -> None:
    window_only, combined = [], []
    for seed in range(200):
        log_hazard, follow_up = world(500, seed)
        window_only.append(np.log(window_hazard(log_hazard, follow_up)[-1] / LEVEL))
        combined.append(np.log(baseline_cumulative_hazard(log_hazard, follow_up, WINDOW)[-1] / LEVEL))
    assert np.std(combined) < 0.9 * np.std(window_only)
    assert np.mean(combined) == pytest.approx(0.0, abs=0.03)


def test_with_many_returns_the_level_is_the_windows_own() -> None:
    """Even where no smooth curve fits: half of the bleeds are not followed past the window."""
    log_hazard, follow_up = world(60_000, 3)
    followed = (follow_up.days < WINDOW) | (np.arange(60_000) % 2 == 0)
    cut = follow_up.censor_at(np.where(followed, follow_up.days, WINDOW))
    window_only, combined = window_hazard(log_hazard, cut), baseline_cumulative_hazard(log_hazard, cut, WINDOW)
    assert np.log(combined[-1] / window_only[-1]) == pytest.approx(0.0, abs=0.02)


def test_the_shape_of_the_hazard_is_the_windows_own() -> None:
    log_hazard, follow_up = world(500, 4)
    window_only, combined = (
        window_hazard(log_hazard, follow_up),
        baseline_cumulative_hazard(log_hazard, follow_up, WINDOW),
    )
    assert combined * window_only[-1] == pytest.approx(window_only * combined[-1])


def test_the_smooth_level_is_that_of_a_weibull_fit() -> None:
    """With equal hazards the level is that of `analysis.survival.weibull`, checked there against published fits."""
    _, follow_up = world(800, 6)
    fitted = weibull(follow_up.days.astype(float), follow_up.returned)
    assert fitted is not None
    level, variance = _weibull_baseline(np.zeros(800), follow_up, WINDOW)
    assert level == pytest.approx(fitted.shape * np.log(WINDOW / fitted.scale_days), abs=1e-6)
    assert 1 / follow_up.returned.sum() <= variance < 1 / follow_up.censor_all_at(WINDOW).returned.sum()


def test_without_returns_in_the_window_its_hazard_is_zero() -> None:
    days = np.array([200, 300, 400])
    follow_up = FollowUp(days, np.array([True, False, True]), np.zeros(3, dtype=bool), np.full(3, 500))
    assert baseline_cumulative_hazard(np.zeros(3), follow_up, WINDOW) == pytest.approx(np.zeros(WINDOW + 1))
