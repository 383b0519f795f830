"""Whether the risks suit all groups: the spread between groups of observed over expected comebacks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
MIN_EXPECTED = 2.0
GRID = np.linspace(0.0, 1.5, 301)


@dataclass(frozen=True)
class BetweenGroupSD:
    """Standard deviation between groups of log(observed / expected), sampling error excluded, with 95% limits."""

    sd: float
    lo: float
    hi: float


def between_group_sd(risk: FloatArray, came_back: NDArray[np.bool_], group: NDArray[np.int64]) -> BetweenGroupSD | None:
    """Maximum likelihood of the between-group spread: comebacks Poisson around expected times a gamma of mean 1.

    Limits by inverting the likelihood-ratio test (χ² with 1 degree of freedom). None with fewer than three groups of at
    least two expected comebacks. Model: D. Clayton & J. Kaldor 1987, Biometrics 43:671-681.

    Parameters
    ----------
    risk, came_back
        Predicted risk and outcome (n).
    group
        Code of the technician or brake model (n).
    """
    expected: FloatArray = np.bincount(group, weights=risk).astype(float)
    observed: FloatArray = np.bincount(group, weights=came_back.astype(float)).astype(float)
    enough = expected >= MIN_EXPECTED
    if enough.sum() < 3:
        return None
    expected, observed = expected[enough], observed[enough]
    expected = expected * observed.sum() / expected.sum() if observed.sum() else expected
    likelihood = np.array([_log_likelihood(observed, expected, sd) for sd in GRID])
    inside = GRID[likelihood >= likelihood.max() - 1.920729]
    return BetweenGroupSD(float(GRID[likelihood.argmax()]), float(inside[0]), float(inside[-1]))


def _log_likelihood(observed: FloatArray, expected: FloatArray, sd: float) -> float:
    from scipy.special import gammaln

    variance = np.expm1(sd**2)
    if variance < 1e-9:
        return float((observed * np.log(expected) - expected - gammaln(observed + 1)).sum())
    shape = 1 / variance
    return float(
        (
            gammaln(observed + shape)
            - gammaln(shape)
            - gammaln(observed + 1)
            + shape * np.log(shape / (shape + expected))
            + observed * np.log(expected / (shape + expected))
        ).sum()
    )
