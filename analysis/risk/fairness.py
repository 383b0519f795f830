"""Is the model equally right for everybody: how observed over expected differs between groups beyond chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
MIN_EXPECTED = 2.0
GRID = np.linspace(0.0, 1.5, 301)


@dataclass(frozen=True)
class BetweenGroupSD:
    """Standard deviation between groups of the logarithm of observed over expected, beyond chance, with 95% limits."""

    sd: float
    lo: float
    hi: float


def between_group_sd(risk: FloatArray, came_back: NDArray[np.bool_], group: NDArray[np.int64]) -> BetweenGroupSD | None:
    """The spread by maximum likelihood: comebacks Poisson around expected times a gamma of mean 1.

    Its limits are those a likelihood-ratio test does not reject (χ² of 1 degree). None with fewer than three groups
    of at least two expected comebacks. Source of the model: D. Clayton & J. Kaldor 1987, Biometrics 43:671-681.

    Parameters
    ----------
    risk, came_back
        Told risk and outcome of each bleed.
    group
        Its technician or model, as a number.
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
