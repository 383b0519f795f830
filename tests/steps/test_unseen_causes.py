"""Tests for unseen causes, and benchmarks against recorded work."""

import numpy as np
import pytest
import statsmodels.api as sm

from analysis.standard import built_in
from analysis.steps.design_matrix import build_design
from analysis.steps.unseen_causes import Signal, UnseenCauses, _ResidualVariances, unseen_causes
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import prepared_of

STEPS = tuple(step.id for step in built_in().steps)


def causes(family, seed=2, sessions=3000):
    data = prepared_of(simulate(scenario_workshop(family, sessions), seed))
    return unseen_causes(data, build_design(data, STEPS))


def test_entries_completed_after_the_return_are_noticed():
    late = causes("misses recorded once the bike is back")
    assert late.retro.clear
    assert late.shares[0] < late.shares[1] / 2
    assert any("completed after the return" in note for note in late.notes)


def test_bubbles_that_later_steps_cannot_cause_show_an_unseen_difficulty():
    assert causes("unseen difficulty").bubbles.p_value < 1e-3


def test_nothing_is_suspected_in_an_ordinary_log():
    usual = causes("base")
    assert not usual.suspected
    assert usual.notes == ()


def test_too_few_other_returns_calibrate_nothing():
    usual = causes("base", sessions=1000)
    assert usual.error is None
    assert np.isnan(usual.calibrated_p_values(np.ones((10, 2)))).all()


def test_a_signal_counts_at_its_level_only():
    assert Signal(0.3, 0.01).clear
    assert not Signal(0.3, 0.011).clear
    assert not Signal().clear


def test_adjusted_partial_r2_equals_that_of_two_regressions():
    rng = np.random.default_rng(3)
    x = rng.standard_normal((500, 4))
    y = x @ [0.4, 0.3, 0.2, 0.0] + rng.standard_normal(500)
    ours = _ResidualVariances(np.column_stack([x, y])).explained(4, [0, 1], [])
    full, short = (sm.OLS(y, sm.add_constant(x[:, columns])).fit() for columns in ([0, 1, 2, 3], [2, 3]))
    assert ours == pytest.approx(1 - full.mse_resid / short.mse_resid, rel=1e-4)  # a ridge of 0.01


def test_calibrated_p_values_use_the_systematic_error():
    one = UnseenCauses(Signal(), Signal(), Signal(), (0, 0), (0.2, 0.0), np.ones(1), ("",), np.ones(1))
    draws = np.random.default_rng(4).normal(0.2, 0.1, (4000, 1))
    assert one.calibrated_p_values(draws)[0] > 0.9
