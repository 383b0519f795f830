"""Comebacks prevented as a function of the effect: interpolation against the exact sum."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.steps.marginal_effects import _prevented_by_effect


@pytest.mark.parametrize(("missed", "spread"), [(20_000, 0.03), (3_000, 0.2), (40, 1.0), (12, 2.0), (5, 0.0)])
def test_the_interpolation_equals_the_sum_at_every_draw(missed: int, spread: float) -> None:
    rng = np.random.default_rng(0)
    hazard_if_met, effects = np.exp(rng.normal(-3, 1, missed)), 0.3 + spread * rng.standard_normal(400)
    plain = np.array(
        [100 / 1000 * (np.exp(-hazard_if_met) - np.exp(-hazard_if_met * np.exp(b))).sum() for b in effects]
    )
    assert _prevented_by_effect(hazard_if_met, effects, 1000) == pytest.approx(
        plain, rel=1e-6, abs=1e-6 * (plain.std() + plain.max())
    )


def test_a_step_never_missed_prevents_nothing() -> None:
    assert not _prevented_by_effect(np.zeros(0), np.linspace(-1, 1, 9), 1000).any()
