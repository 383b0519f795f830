"""Group-sequential testing: alpha spending over several looks at accumulating data."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from analysis.stats.distributions import normal_tail

FloatArray = NDArray[np.float64]
NODES, MAX_Z, HALVINGS = 400, 9.0, 60
NORMAL = NormalDist()


def spent_alpha(fraction: float, alpha: float) -> float:
    """One-sided alpha spent by this fraction of the information, O'Brien-Fleming type.

    Source: K. K. G. Lan & D. L. DeMets 1983, Biometrika 70:659-663: 2 - 2 Φ(z(1 - alpha / 2) / √t).
    """
    if not 0 < fraction <= 1:
        raise ValueError(f"fraction: must be above 0 and at most 1, got {fraction}")
    return float(2 * normal_tail(NORMAL.inv_cdf(1 - alpha / 2) / np.sqrt(fraction)))


def evenly_spent_alpha(fraction: float, alpha: float) -> float:
    """One-sided alpha spent by this fraction of the information, about evenly over the looks (Pocock type).

    Source: K. K. G. Lan & D. L. DeMets 1983, Biometrika 70:659-663: alpha ln(1 + (e - 1) t).
    """
    return float(alpha * np.log1p((np.e - 1) * fraction))


def spending_bounds(
    fractions: Sequence[float],
    alpha: float,
    *,
    two_sided: bool = True,
    spent: Callable[[float, float], float] = spent_alpha,
) -> FloatArray:
    """Critical z-values at each look, with alpha spent as `spent` gives.

    The z-values are those of sums of independent increments; the density of the sum among paths that have not yet
    signalled is integrated numerically from look to look.

    Source: P. Armitage, C. K. McPherson & B. C. Rowe 1969, J. R. Stat. Soc. A 132:235-244.

    Parameters
    ----------
    fractions
        Fraction of the full information at each look: increasing, the last at most 1.
    alpha
        Type I error over all looks; half of it on each side if `two_sided`.
    two_sided
        Whether to test both sides.
    spent
        Alpha spent by a fraction of the information.

    Raises
    ------
    ValueError
        The fractions do not increase, or are outside 0 to 1.
    """
    if any(b <= a for a, b in zip([0.0, *fractions], fractions, strict=False)):
        raise ValueError(f"fractions: must increase from above 0, got {list(fractions)}")
    side = alpha / 2 if two_sided else alpha
    goals = np.diff([0.0, *(spent(fraction, side) for fraction in fractions)])
    bounds: list[float] = []
    sums, density = np.zeros(1), np.ones(1)
    for previous, fraction, goal in zip([0.0, *fractions], fractions, goals, strict=False):
        step = np.sqrt(fraction - previous)
        bound = _bound(sums, density, step, float(goal)) / np.sqrt(fraction)
        bounds.append(bound)
        top = bound * np.sqrt(fraction)
        low = -top if two_sided else -MAX_Z * np.sqrt(fraction)
        x, w = np.polynomial.legendre.leggauss(NODES)
        nodes = low + (x + 1) * (top - low) / 2
        kernel = np.exp(-(((nodes[:, None] - sums) / step) ** 2) / 2) / (step * np.sqrt(2 * np.pi))
        sums, density = nodes, kernel @ density * w * (top - low) / 2
    return np.array(bounds)


def _bound(sums: FloatArray, density: FloatArray, step: float, goal: float) -> float:
    """The bound that the sum exceeds at this look, and not before, with probability `goal`."""
    low, high = -MAX_Z, MAX_Z
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        exceeded = float(normal_tail((middle - sums) / step) @ density)
        low, high = (middle, high) if exceeded > goal else (low, middle)
    return (low + high) / 2
