"""Returns and the stand drawn together, on effects made up for the test."""

import numpy as np
import pytest

from analysis.steps.posterior import Evidence, posterior_draws

STEPS = 8
SD = 0.3


def observed(early, stand, late, *, late_shown=1.0, late_sd=SD, lends=True):
    sd = np.concatenate([np.full(STEPS, SD), np.full(STEPS, 0.03), np.full(STEPS, late_sd)])
    shown = np.diag(np.concatenate([np.ones(2 * STEPS), np.full(STEPS, late_shown)]))
    return Evidence(
        values=np.concatenate([early, stand, late]),
        covariance=np.diag(sd**2),
        early=STEPS,
        steps=STEPS,
        group=np.zeros(STEPS, dtype=np.int64),
        has_mediator=np.full(STEPS, lends),
        shrinkage=shown,
    )


TRUE = np.array([1.2, 0.9, 0.6, 0.3, 0.0, 0.0, 0.0, 0.0])
NOISE = SD * np.random.default_rng(2).standard_normal(STEPS)


def means(seen, seed=1):
    return posterior_draws(seen, 4000, np.random.default_rng(seed)).mean(axis=0)


def test_where_the_stand_tells_the_effects_it_is_believed():
    drawn = means(observed(TRUE + NOISE, TRUE / 1.5, TRUE + NOISE[::-1]))
    assert np.sqrt(np.mean((drawn - TRUE) ** 2)) < 0.6 * np.sqrt(np.mean(NOISE**2))  # seen on several seeds: 0.3


def test_where_the_stand_says_nothing_the_returns_keep_their_word():
    drawn = means(observed(TRUE + NOISE, np.zeros(STEPS), TRUE + NOISE))
    assert drawn[0] > 0.7  # returns say 1.2 less or more 0.3


def test_a_step_that_works_past_the_signs_is_not_pulled_to_what_the_stand_says():
    alone = means(observed(TRUE + NOISE, np.zeros(STEPS), TRUE + NOISE, lends=False))
    other = means(observed(TRUE + NOISE, 2 - TRUE, TRUE + NOISE, lends=False))
    assert alone == pytest.approx(other, abs=0.03)  # 4,000 draws, autocorrelated


def test_late_returns_that_nobody_saw_are_not_taken_for_no_late_effect():
    nothing = means(observed(TRUE + NOISE, TRUE / 1.5, np.zeros(STEPS), late_shown=0.0, late_sd=0.0))
    vague = means(observed(TRUE + NOISE, TRUE / 1.5, np.zeros(STEPS), late_sd=50.0))
    assert nothing == pytest.approx(vague, abs=0.05)  # 4,000 draws, autocorrelated
