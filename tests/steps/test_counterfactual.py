"""A sum of risks along drawn effects, by a polynomial, is the sum itself."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.steps.counterfactual import _curve


@pytest.mark.parametrize(("missed", "spread"), [(20_000, 0.03), (3_000, 0.2), (40, 1.0), (12, 2.0), (5, 0.0)])
def test_the_polynomial_meets_the_sum_at_every_draw(missed: int, spread: float) -> None:
    rng = np.random.default_rng(0)
    met, effects = np.exp(rng.normal(-3, 1, missed)), 0.3 + spread * rng.standard_normal(400)
    plain = np.array([100 / 1000 * (np.exp(-met) - np.exp(-met * np.exp(b))).sum() for b in effects])
    assert _curve(met, effects, 1000) == pytest.approx(plain, rel=1e-6, abs=1e-6 * (plain.std() + plain.max()))


def test_where_nobody_missed_a_step_nothing_is_spared() -> None:
    assert not _curve(np.zeros(0), np.linspace(-1, 1, 9), 1000).any()
