"""Risk-adjusted CUSUM: does the odds of a comeback double (or halve) against what the same work would give.

Source: S. H. Steiner, R. J. Cook, V. T. Farewell & T. Treasure 2000, Biostatistics 1:441-452. Run lengths by a Markov chain
on a grid of the chart's height (D. Brook & D. A. Evans 1972, Biometrika 59:539-549), steps that fall between two heights
shared between them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
LEVELS = 24
LARGEST_LIMIT = 12.0


def weights(risk: Numbers, came_back: Numbers, odds_ratio: float) -> Numbers:
    """The log-likelihood ratio each bleed adds: y log R + log((1 − p + p) / (1 − p + R p)).

    Parameters
    ----------
    risk
        Expected risk, in (0, 1).
    came_back
        0 or 1.
    odds_ratio
        2 watches for twice the odds, 0.5 for half.
    """
    return came_back * np.log(odds_ratio) - np.log(1 - risk + odds_ratio * risk)


def path(steps: Numbers) -> Numbers:
    """The CUSUM after each step: never below 0."""
    total = np.cumsum(steps)
    return total - np.minimum(np.minimum.accumulate(total), 0.0)


def run_length(risk: Numbers, odds_ratio: float, limit: float, per_unit: int = 60) -> float:
    """Mean number of in-control bleeds until the chart passes `limit`.

    Parameters
    ----------
    risk
        Expected risks of the mix of work, drawn from evenly.
    odds_ratio
        As in `weights`.
    limit
        The chart's limit, above 0.
    per_unit
        Grid points a unit of height.
    """
    states = max(int(np.ceil(limit * per_unit)), 10)
    width = limit / states
    p = levels(risk)
    move = np.concatenate([weights(p, np.ones_like(p), odds_ratio), weights(p, np.zeros_like(p), odds_ratio)])
    chance = np.concatenate([p, 1 - p]) / len(p)
    height = np.arange(states) * width
    to = np.maximum(height[:, None] + move, 0.0) / width
    below = np.floor(to).astype(int)
    part = to - below
    matrix = np.zeros((states, states))
    rows = np.repeat(np.arange(states), len(move))
    for place, share in ((below, 1 - part), (below + 1, part)):
        flat, inside = place.ravel(), place.ravel() < states
        np.add.at(matrix, (rows[inside], flat[inside]), (share * chance).ravel()[inside])
    return float(np.linalg.solve(np.eye(states) - matrix, np.ones(states))[0])


def limit_for(risk: Numbers, odds_ratio: float, bleeds: float) -> float:
    """The limit whose in-control run length is `bleeds` on average, by bisection."""
    low, high, risk = 0.05, LARGEST_LIMIT, levels(risk)
    for _ in range(18):
        middle = (low + high) / 2
        low, high = (middle, high) if run_length(risk, odds_ratio, middle, 30) < bleeds else (low, middle)
    return (low + high) / 2


def levels(risk: Numbers) -> Numbers:
    """The mix of work, one risk a bleed, as a few evenly likely risks at most, their mean that of all."""
    if len(risk) <= LEVELS:
        return risk
    found = np.quantile(risk, (np.arange(LEVELS) + 0.5) / LEVELS)
    return np.asarray(found * (risk.mean() / found.mean()))
