"""Ranks: the first three are the steps most probably near the top, the others follow by their estimates."""

from itertools import combinations

import numpy as np
import pytest

from analysis.steps.ranking import judge_and_rank_steps


def ranks(draws):
    enough = np.ones(draws.shape[1], dtype=bool)
    return judge_and_rank_steps(draws, np.ones(draws.shape[1]), enough).rank


def test_precise_estimates_rank_by_their_size():
    draws = np.array([0.1, 0.5, 0.3, 0.2, 0.4]) + np.random.default_rng(1).normal(0, 1e-3, (500, 5))
    assert ranks(draws).tolist() == [5, 1, 3, 4, 2]


def test_a_high_but_uncertain_estimate_is_not_ranked_first():
    rng = np.random.default_rng(2)
    steady = np.array([0.5, 0.45, 0.4, 0.35, 0.34, 0.33, 0.1]) + rng.normal(0, 0.001, (1000, 7))
    uncertain = np.where(rng.random((1000, 1)) < 0.6, 0.6, 0.0) + rng.normal(0, 0.01, (1000, 1))
    draws = np.hstack([uncertain, steady])
    assert np.median(draws, axis=0).argmax() == 0
    assert ranks(draws).tolist() == [4, 1, 2, 3, 5, 6, 7, 8]


def test_the_first_three_are_the_best_triple():
    draws = np.random.default_rng(3).normal([0.5, 0.45, 0.4, 0.4, 0.35, 0.3, 0.2, 0.0], 0.3, (800, 8))
    order = np.argsort(np.argsort(-draws, axis=1), axis=1)
    worst = {three: order[:, three].max(axis=1) for three in combinations(range(8), 3)}
    best = max(worst, key=lambda three: sum((worst[three] < top).mean() for top in (4, 5, 6)))
    assert set(np.flatnonzero(ranks(draws) <= 3)) == set(best)


@pytest.mark.parametrize("steps", [1, 2, 3])
def test_up_to_three_steps_rank_by_their_estimates(steps):
    draws = np.arange(steps, dtype=float) + np.zeros((10, 1))
    assert ranks(draws).tolist() == list(range(steps, 0, -1))


def test_a_rank_is_within_its_limits():
    draws = np.random.default_rng(5).normal(0, 0.3, (800, 12))
    steps = judge_and_rank_steps(draws, np.ones(12), np.ones(12, dtype=bool))
    assert (steps.rank_lo <= steps.rank).all()
    assert (steps.rank <= steps.rank_hi).all()
