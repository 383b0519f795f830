"""Estimated ridge penalties against a plain fixed-point iteration."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.survival import empirical_bayes_ridge
from analysis.survival.empirical_bayes_ridge import MAX_VARIANCE, MIN_VARIANCE, Block, penalised_mode


def simulated(seed: int, columns: int = 40) -> tuple[np.ndarray, np.ndarray]:
    """Information and linear term: large coefficients in the first half, almost none in the second."""
    rng = np.random.default_rng(seed)
    x = rng.standard_normal((6 * columns, columns))
    information = x.T @ x / 3
    true = np.where(np.arange(columns) < columns // 2, 0.4, 0.0) * rng.standard_normal(columns)
    return information, information @ true + np.linalg.cholesky(information) @ rng.standard_normal(columns)


def plain_iteration(information: np.ndarray, linear: np.ndarray, parts: list[slice]) -> np.ndarray:
    """Iterate the penalties without extrapolation."""
    penalties = np.ones(len(linear))
    for _ in range(200_000):
        covariance = np.linalg.inv(information + np.diag(penalties))
        b, updated = covariance @ linear, penalties.copy()
        for part in parts:
            edf = max(part.stop - part.start - penalties[part.start] * np.trace(covariance[part, part]), 1e-3)
            updated[part] = 1 / max(float(b[part] @ b[part]) / edf, MIN_VARIANCE)
        if np.abs(np.log(updated / penalties)).max() < 1e-13:
            break
        penalties = updated
    return penalties


@pytest.mark.parametrize("seed", range(6))
def test_extrapolation_converges_to_the_plain_fixed_point_in_fewer_updates(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    information, linear = simulated(seed)
    blocks = [Block(0, 20, 1.0, pooled=True), Block(20, 40, 1.0, pooled=True)]
    calls, update = [], empirical_bayes_ridge._updated_log_penalties
    monkeypatch.setattr(empirical_bayes_ridge, "_updated_log_penalties", lambda *all_: calls.append(1) or update(*all_))
    mode = penalised_mode(information, linear, blocks, np.ones(40))
    assert mode.penalties == pytest.approx(
        plain_iteration(information, linear, [slice(0, 20), slice(20, 40)]), rel=1e-8
    )
    assert len(calls) < 100


def test_fixed_penalties_are_not_changed() -> None:
    information, linear = simulated(1)
    mode = penalised_mode(information, linear, [Block(0, 40, 2.0)], np.full(40, 2.0))
    assert mode.penalties == pytest.approx(np.full(40, 2.0))
    assert mode.coefficients == pytest.approx(np.linalg.solve(information + 2 * np.eye(40), linear))


def test_the_variance_is_limited() -> None:
    """Far from the maximum the quadratic may imply coefficients of thousands, from which the iteration must recover."""
    information = np.eye(10) * 1e-4
    mode = penalised_mode(information, np.full(10, 5.0), [Block(0, 10, 1.0, pooled=True)], np.ones(10))
    assert mode.penalties == pytest.approx(np.full(10, 1 / MAX_VARIANCE))


def test_the_prior_counts_as_its_degrees_of_freedom() -> None:
    """The variance is the mean of the block's own and the prior's, weighted by degrees of freedom."""
    information, linear = simulated(2)
    mode = penalised_mode(information, linear, [Block(0, 40, 1 / 0.02, pooled=True, prior_df=7.0)], np.full(40, 50.0))
    covariance = np.linalg.inv(information + np.diag(mode.penalties))
    edf = 40 - mode.penalties[0] * np.trace(covariance)
    squares = float(mode.coefficients @ mode.coefficients)
    assert 1 / mode.penalties[0] == pytest.approx((squares + 7 * 0.02) / (edf + 7), rel=1e-6)


def test_a_block_without_information_has_its_prior_variance() -> None:
    mode = penalised_mode(
        np.eye(10) * 1e-6, np.zeros(10), [Block(0, 10, 1 / 0.02, pooled=True, prior_df=5.0)], np.full(10, 50.0)
    )
    assert mode.penalties == pytest.approx(np.full(10, 50.0), rel=1e-3)
