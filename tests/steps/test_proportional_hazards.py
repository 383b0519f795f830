"""The test of proportional hazards, on a log with made-up late effects."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.steps.evidence import fit_time_varying, proportional_hazards_test, proportionality_note
from analysis.steps.marginal_effects import fit_step_model


@pytest.fixture(scope="module")
def fitted(workshop, costs):
    model = fit_step_model(workshop, costs.design)
    return model.coefficients[: costs.design.step_count], fit_time_varying(workshop, costs.design, model)


def late_share(fitted, share):
    """The same fit with late effects this share of the early ones, with standard error 0.01."""
    contrast, windows = fitted
    steps = len(contrast)
    early = windows.effects[:steps]
    rows = np.zeros((2 * steps, windows.influence.shape[1]))
    rows[np.arange(steps), np.arange(steps)] = 0.01
    rows[steps + np.arange(steps), windows.influence.shape[1] - steps + np.arange(steps)] = 0.01
    effects = np.concatenate([windows.effects[:-steps], share * early])
    return proportional_hazards_test(replace(windows, effects=effects, influence=rows), contrast)


def test_effects_that_stay_pass(fitted):
    result = late_share(fitted, 1.0)
    assert not result.fails
    assert result.ratio == pytest.approx(1.0, abs=1e-9)  # arithmetic


@pytest.mark.parametrize("share", [0.25, 0.5, 2.0])
def test_the_ratio_is_late_over_early_also_far_from_one(fitted, share):
    _, windows = fitted
    early = windows.effects[: len(fitted[0])]
    whole = (windows.early_share + (1 - windows.early_share) * share) * early
    assert 0.2 < windows.early_share < 0.9
    assert late_share((whole, windows), share).ratio == pytest.approx(share, rel=1e-6)


def test_effects_that_fade_fail(fitted):
    result = late_share(fitted, 0.0)
    assert result.fails
    assert result.ratio < 0.9


def test_with_fewer_late_returns_than_steps_nothing_is_tested(fitted):
    contrast, windows = fitted
    assert proportional_hazards_test(replace(windows, late_returns=5), contrast) is None
    assert "Too few" in proportionality_note(None, 90)


def test_the_note_says_what_follows_from_the_test(fitted):
    assert "uses the first 90 days only" in proportionality_note(late_share(fitted, 0.0), 90)
    assert "cannot be ruled out" in proportionality_note(late_share(fitted, 1.0), 90)
