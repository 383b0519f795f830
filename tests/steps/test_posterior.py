"""The posterior from returns and stand readings, on made-up effects."""

import numpy as np
import pytest

from analysis.steps.posterior import EffectEstimates, draw_early_effects

STEPS = 8
SD = 0.3


def evidence(early, mediated, late, *, late_shrinkage=1.0, late_sd=SD, has_mediator=True):
    sd = np.concatenate([np.full(STEPS, SD), np.full(STEPS, 0.03), np.full(STEPS, late_sd)])
    shrinkage = np.diag(np.concatenate([np.ones(2 * STEPS), np.full(STEPS, late_shrinkage)]))
    return EffectEstimates(
        values=np.concatenate([early, mediated, late]),
        covariance=np.diag(sd**2),
        early_count=STEPS,
        step_count=STEPS,
        group=np.zeros(STEPS, dtype=np.int64),
        has_mediator=np.full(STEPS, has_mediator),
        shrinkage=shrinkage,
    )


TRUE = np.array([1.2, 0.9, 0.6, 0.3, 0.0, 0.0, 0.0, 0.0])
NOISE = SD * np.random.default_rng(2).standard_normal(STEPS)


def means(estimates, seed=1):
    return draw_early_effects(estimates, 4000, np.random.default_rng(seed)).mean(axis=0)


def test_readings_that_show_the_effects_reduce_the_error():
    posterior_means = means(evidence(TRUE + NOISE, TRUE / 1.5, TRUE + NOISE[::-1]))
    assert np.sqrt(np.mean((posterior_means - TRUE) ** 2)) < 0.6 * np.sqrt(np.mean(NOISE**2))  # 0.3 on several seeds


def test_readings_that_show_nothing_leave_an_effect_seen_in_returns():
    posterior_means = means(evidence(TRUE + NOISE, np.zeros(STEPS), TRUE + NOISE))
    assert posterior_means[0] > 0.7  # returns: 1.2, standard error 0.3


def test_a_leak_step_is_not_pulled_towards_the_readings():
    alone = means(evidence(TRUE + NOISE, np.zeros(STEPS), TRUE + NOISE, has_mediator=False))
    other = means(evidence(TRUE + NOISE, 2 - TRUE, TRUE + NOISE, has_mediator=False))
    assert alone == pytest.approx(other, abs=0.03)  # 4,000 draws, autocorrelated


def test_missing_late_returns_are_not_taken_as_no_late_effect():
    nothing = means(evidence(TRUE + NOISE, TRUE / 1.5, np.zeros(STEPS), late_shrinkage=0.0, late_sd=0.0))
    vague = means(evidence(TRUE + NOISE, TRUE / 1.5, np.zeros(STEPS), late_sd=50.0))
    assert nothing == pytest.approx(vague, abs=0.05)  # 4,000 draws, autocorrelated
