"""Looking at growing data several times while holding the chance of any false signal: alpha spending."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from analysis.stats.distributions import normal_tail

FloatArray = NDArray[np.float64]
NODES, FURTHEST, HALVINGS = 400, 9.0, 60
NORMAL = NormalDist()


def spent_alpha(fraction: float, alpha: float) -> float:
    """How much of a one-sided alpha may be spent by this fraction of the information, after O'Brien and Fleming.

    Source: K. K. G. Lan & D. L. DeMets 1983, Biometrika 70:659-663: 2 - 2 Φ(z(1 - alpha / 2) / √t).
    """
    if not 0 < fraction <= 1:
        raise ValueError(f"fraction: above 0 and at most 1, got {fraction}")
    return float(2 * normal_tail(NORMAL.inv_cdf(1 - alpha / 2) / np.sqrt(fraction)))


def spending_bounds(fractions: Sequence[float], alpha: float, *, two_sided: bool = True) -> FloatArray:
    """The z-value that signals at each look, so that over all looks alpha is spent as `spent_alpha` says.

    The looks' z-values are those of sums of independent increments; their chances come from integrating over what did
    not signal before (P. Armitage, C. K. McPherson & B. C. Rowe 1969, J. R. Stat. Soc. A 132:235-244).

    Parameters
    ----------
    fractions
        Of the whole information at each look, growing, the last at most 1.
    alpha
        The chance of any false signal, of both sides together if `two_sided`, which then share it.
    two_sided
        Whether a signal may be on either side.

    Raises
    ------
    ValueError
        The fractions do not grow, or are outside 0 to 1.
    """
    if any(b <= a for a, b in zip([0.0, *fractions], fractions, strict=False)):
        raise ValueError(f"fractions: growing from above 0, got {list(fractions)}")
    side = alpha / 2 if two_sided else alpha
    goals = np.diff([0.0, *(spent_alpha(fraction, side) for fraction in fractions)])
    bounds: list[float] = []
    at, density = np.zeros(1), np.ones(1)
    for before, now, goal in zip([0.0, *fractions], fractions, goals, strict=False):
        step = np.sqrt(now - before)
        bound = _bound(at, density, step, float(goal)) / np.sqrt(now)
        bounds.append(bound)
        top = bound * np.sqrt(now)
        low = -top if two_sided else -FURTHEST * np.sqrt(now)
        x, w = np.polynomial.legendre.leggauss(NODES)
        place = low + (x + 1) * (top - low) / 2
        reached = np.exp(-(((place[:, None] - at) / step) ** 2) / 2) / (step * np.sqrt(2 * np.pi)) @ density
        at, density = place, reached * w * (top - low) / 2
    return np.array(bounds)


def _bound(at: FloatArray, density: FloatArray, step: float, goal: float) -> float:
    """The sum that is exceeded now, for the first time, with the chance `goal`."""
    low, high = -FURTHEST, FURTHEST
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        beyond = float(normal_tail((middle - at) / step) @ density)
        low, high = (middle, high) if beyond > goal else (low, middle)
    return (low + high) / 2
