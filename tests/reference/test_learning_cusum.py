"""The learning-curve CUSUM: exact run lengths by a Markov chain, and published ones of Page's scheme."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.stats import Dispersion, learning_limits, log_likelihood_increments, reset_cusum
from analysis.stats.sequential import HORIZON


def reached_by(mean: float, step: np.ndarray, limit: float, entries: int) -> float:
    """Exact chance that the CUSUM of Poisson counts reaches `limit` within `entries`: counts up to 60, a fine lattice.

    Source of the method: D. Brook & D. A. Evans 1972, Biometrika 59:539-549.
    """
    cells = 4000
    width = limit / cells
    count = np.arange(61)
    chance = np.exp(-mean + count * np.log(mean) - np.cumsum(np.concatenate([[0], np.log(np.arange(1, 61))])))
    state, absorbed = np.zeros(cells), 0.0
    state[0] = 1.0
    moves = np.round(step / width).astype(int)
    for _ in range(entries):
        after = np.zeros(cells)
        for move, p in zip(moves, chance, strict=True):
            target = np.arange(cells) + move
            low, inside = target <= 0, (target > 0) & (target < cells)
            after[0] += p * state[low].sum()
            after += np.bincount(target[inside], p * state[inside], minlength=cells)
            absorbed += p * state[target >= cells].sum()
        state = after
    return absorbed


@pytest.mark.parametrize("mean", [0.8, 2.5])
def test_somebody_not_good_enough_is_cleared_as_often_as_stated(mean: float) -> None:
    limits = learning_limits(mean, 1.5, Dispersion(1.0), 0.05, np.random.default_rng(5))
    step = log_likelihood_increments(np.arange(61.0), np.array(mean), 1.5, 1.0)
    assert reached_by(1.5 * mean, step, limits.competent, HORIZON) == pytest.approx(0.05, abs=0.012)
    assert reached_by(mean, -step, limits.needs_help, HORIZON) == pytest.approx(0.05, abs=0.012)
    assert reached_by(mean, step, limits.competent, int(limits.median_entries)) == pytest.approx(0.5, abs=0.06)


@pytest.mark.parametrize("expected", [[0.2, 3.0], [0.2] * 5 + [3.0] * 5, [0.05, 0.5, 5.0], [0.7] * 9 + [6.0]], ids=str)
def test_the_limits_of_the_mean_hold_for_work_that_varies(expected: list[float]) -> None:
    """Seeded: each error 5%, less where one bleed in three carries nearly all that is expected."""
    limits = learning_limits(float(np.mean(expected)), 1.5, Dispersion(1.0), 0.05, np.random.default_rng(5))
    mean = np.resize(expected, HORIZON)[:, None]
    for ratio, sign, limit in ((1.5, 1, limits.competent), (1.0, -1, limits.needs_help)):
        counts = np.random.default_rng(6).poisson(ratio * mean, (HORIZON, 4000)).astype(float)
        sums = reset_cusum(sign * log_likelihood_increments(counts, mean, 1.5, 1.0))
        assert 0.03 <= (sums >= limit).any(axis=0).mean() <= 0.06


@pytest.mark.parametrize(("limit", "shift", "length"), [(4.0, 0.0, 335.0), (4.0, 1.0, 8.38), (5.0, 1.0, 10.4)])
def test_the_sums_have_the_run_lengths_of_pages_scheme(limit: float, shift: float, length: float) -> None:
    """One-sided, reference value 0.5: 8.38 and 10.4 at a shift of one standard deviation (D. C. Montgomery, Introduction to
    Statistical Quality Control, table of CUSUM run lengths; two-sided 168 without a shift, so 336 one-sided; memory)."""
    rng = np.random.default_rng(6)
    steps = rng.standard_normal((3000, 1500)) + shift - 0.5
    crossed = reset_cusum(steps) >= limit
    runs = np.where(crossed.any(axis=0), crossed.argmax(axis=0) + 1, 3000)
    assert runs.mean() == pytest.approx(length, rel=0.07)


def test_the_sums_stay_between_zero_and_the_highest() -> None:
    assert reset_cusum(np.array([1.0, 2.0, -5.0, 1.0]), 2.5).tolist() == [1.0, 2.5, 0.0, 1.0]


def test_starting_again_only_lowers_the_sum_and_later_bleeds_are_not_covered() -> None:
    """Somebody as good as peers, seeded: within 300 bleeds at most 5% (+2 SE) with a new start at any bleed, more in 900."""
    mean, limits = 0.8, learning_limits(0.8, 1.5, Dispersion(1.0), 0.05, np.random.default_rng(5))
    counts = np.random.default_rng(6).poisson(mean, (900, 2000)).astype(float)
    steps = -log_likelihood_increments(counts, np.array(mean), 1.5, 1.0)
    restarted = np.concatenate([reset_cusum(steps[:120]), reset_cusum(steps[120:])])
    assert (restarted <= reset_cusum(steps) + 1e-12).all()
    reached = restarted >= limits.needs_help
    assert reached[:300].any(axis=0).mean() <= 0.06
    assert reached.any(axis=0).mean() > 0.1


def test_the_limit_of_a_published_example_is_reached_as_often_as_stated() -> None:
    """2.71 for a doubled odds of 5% in 100 patients, 5% false signals: README of the R package `cusum` (L. Hubig), a limit
    from 1,000 simulated runs, whose own error is 0.7% (one standard error)."""
    chance, ratio = 0.05, 2.0
    failed = np.random.default_rng(1).random((100, 50_000)) < chance
    steps = failed * np.log(ratio) - np.log(1 - chance + ratio * chance)
    assert (reset_cusum(steps).max(axis=0) >= 2.712558).mean() == pytest.approx(0.05, abs=2 * 0.007)
