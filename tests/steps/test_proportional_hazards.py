"""Do effects last? The test on a log, and on effects made up for it."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.steps.marginal_effects import fit_step_model
from analysis.steps.proportional_hazards import proportional_hazards_test, test_note
from analysis.steps.time_varying import fit_time_varying


@pytest.fixture(scope="module")
def fitted(workshop, costs):
    model = fit_step_model(workshop, costs.design)
    return model.coefficients[: costs.design.size], fit_time_varying(workshop, costs.design, model)


def moved(fitted, share):
    """The same fit with late effects that are this share of early ones, known to a hundredth."""
    along, windows = fitted
    steps = len(along)
    early = windows.effects[:steps]
    rows = np.zeros((2 * steps, windows.rows.shape[1]))
    rows[np.arange(steps), np.arange(steps)] = 0.01
    rows[steps + np.arange(steps), windows.rows.shape[1] - steps + np.arange(steps)] = 0.01
    effects = np.concatenate([windows.effects[:-steps], share * early])
    return proportional_hazards_test(replace(windows, effects=effects, rows=rows), along)


def test_effects_that_stay_pass(fitted):
    found = moved(fitted, 1.0)
    assert not found.fails
    assert found.ratio == pytest.approx(1.0, abs=1e-9)  # arithmetic


def test_effects_that_fade_fail(fitted):
    found = moved(fitted, 0.0)
    assert found.fails
    assert found.ratio < 0.9


def test_with_fewer_late_returns_than_steps_nothing_is_tested(fitted):
    along, windows = fitted
    assert proportional_hazards_test(replace(windows, late_returns=5), along) is None
    assert "Too few" in test_note(None, 90)


def test_a_failed_test_is_said_with_what_follows_from_it(fitted):
    assert "reckoned within the window" in test_note(moved(fitted, 0.0), 90)
    assert "no proof" in test_note(moved(fitted, 1.0), 90)
