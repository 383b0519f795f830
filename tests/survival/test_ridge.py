"""Ridges settled by leaps end where plain rounds would, in far fewer of them."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.survival import empirical_bayes_ridge
from analysis.survival.empirical_bayes_ridge import MAX_VARIANCE, MIN_VARIANCE, Block, penalised_mode


def drawn(seed: int, columns: int = 40) -> tuple[np.ndarray, np.ndarray]:
    """A curvature, and what it pulls at: coefficients large in the first half, next to none in the second."""
    rng = np.random.default_rng(seed)
    x = rng.standard_normal((6 * columns, columns))
    information = x.T @ x / 3
    true = np.where(np.arange(columns) < columns // 2, 0.4, 0.0) * rng.standard_normal(columns)
    return information, information @ true + np.linalg.cholesky(information) @ rng.standard_normal(columns)


def plain(information: np.ndarray, told: np.ndarray, parts: list[slice]) -> np.ndarray:
    """Round after round, the penalties as they come."""
    penalties = np.ones(len(told))
    for _ in range(200_000):
        covariance = np.linalg.inv(information + np.diag(penalties))
        b, moved = covariance @ told, penalties.copy()
        for part in parts:
            edf = max(part.stop - part.start - penalties[part.start] * np.trace(covariance[part, part]), 1e-3)
            moved[part] = 1 / max(float(b[part] @ b[part]) / edf, MIN_VARIANCE)
        if np.abs(np.log(moved / penalties)).max() < 1e-13:
            break
        penalties = moved
    return penalties


@pytest.mark.parametrize("seed", range(6))
def test_leaps_end_where_plain_rounds_end(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    information, told = drawn(seed)
    blocks = [Block(0, 20, 1.0, pooled=True), Block(20, 40, 1.0, pooled=True)]
    rounds, whole = [], empirical_bayes_ridge._updated_log_penalties
    monkeypatch.setattr(empirical_bayes_ridge, "_updated_log_penalties", lambda *all_: rounds.append(1) or whole(*all_))
    top = penalised_mode(information, told, blocks, np.ones(40))
    assert top.penalties == pytest.approx(plain(information, told, [slice(0, 20), slice(20, 40)]), rel=1e-8)
    assert len(rounds) < 100


def test_without_pooled_blocks_the_ridges_stay() -> None:
    information, told = drawn(1)
    top = penalised_mode(information, told, [Block(0, 40, 2.0)], np.full(40, 2.0))
    assert top.penalties == pytest.approx(np.full(40, 2.0))
    assert top.coefficients == pytest.approx(np.linalg.solve(information + 2 * np.eye(40), told))


def test_a_ridge_is_never_weaker_than_any_log_hazard_asks_for() -> None:
    """Far from the top a parabola may ask for coefficients of thousands: a search must be able to come back from there."""
    information = np.eye(10) * 1e-4
    top = penalised_mode(information, np.full(10, 5.0), [Block(0, 10, 1.0, pooled=True)], np.ones(10))
    assert top.penalties == pytest.approx(np.full(10, 1 / MAX_VARIANCE))


def test_what_is_usual_of_a_block_counts_as_many_columns_as_its_worth() -> None:
    """At the settled ridge the variance is the mean of what the block tells and what is usual, by their columns."""
    information, told = drawn(2)
    top = penalised_mode(information, told, [Block(0, 40, 1 / 0.02, pooled=True, prior_df=7.0)], np.full(40, 50.0))
    covariance = np.linalg.inv(information + np.diag(top.penalties))
    edf = 40 - top.penalties[0] * np.trace(covariance)
    squares = float(top.coefficients @ top.coefficients)
    assert 1 / top.penalties[0] == pytest.approx((squares + 7 * 0.02) / (edf + 7), rel=1e-6)


def test_a_block_that_tells_nothing_has_what_is_usual() -> None:
    top = penalised_mode(
        np.eye(10) * 1e-6, np.zeros(10), [Block(0, 10, 1 / 0.02, pooled=True, prior_df=5.0)], np.full(10, 50.0)
    )
    assert top.penalties == pytest.approx(np.full(10, 50.0), rel=1e-3)
