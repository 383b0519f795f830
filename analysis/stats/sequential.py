"""Tests repeated as data come in: alpha spending over several looks, and the learning-curve CUSUM of counts.

The CUSUM says from when on somebody who starts out as not good enough has shown to be good enough. Sources: D. J. Biau,
R. Porcher & colleagues 2008, Br. J. Surg. 95:925-929 (the CUSUM test turned round: it signals competence); D. J. Biau &
R. Porcher 2010, Stat. Med. 29:1900-1909 (limits from simulated run lengths). Volumes and pages from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from analysis.stats.intervals import normal_tail

FloatArray = NDArray[np.float64]
NODES, MAX_Z, HALVINGS = 400, 9.0, 60
NORMAL = NormalDist()
DRAWS = 4000
HORIZON = 300
"""Entries within which the error rates hold."""


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
        bound = _find_bound(sums, density, step, float(goal)) / np.sqrt(fraction)
        bounds.append(bound)
        top = bound * np.sqrt(fraction)
        low = -top if two_sided else -MAX_Z * np.sqrt(fraction)
        x, w = np.polynomial.legendre.leggauss(NODES)
        nodes = low + (x + 1) * (top - low) / 2
        kernel = np.exp(-(((nodes[:, None] - sums) / step) ** 2) / 2) / (step * np.sqrt(2 * np.pi))
        sums, density = nodes, kernel @ density * w * (top - low) / 2
    return np.array(bounds)


def _find_bound(sums: FloatArray, density: FloatArray, step: float, goal: float) -> float:
    """The bound that the sum exceeds at this look, and not before, with probability `goal`."""
    low, high = -MAX_Z, MAX_Z
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        exceeded = float(normal_tail((middle - sums) / step) @ density)
        low, high = (middle, high) if exceeded > goal else (low, middle)
    return (low + high) / 2


@dataclass(frozen=True)
class Dispersion:
    """Variance of the counts over their mean, and the standard error of the log of the peers' level."""

    counts: float
    level_sd: float = 0.0


@dataclass(frozen=True)
class LearningLimits:
    """Limits of the two CUSUMs, and how many entries somebody as good as peers needs.

    `competent`: somebody at `ratio` times the peers' misses reaches it within the horizon with the chance alpha.
    `needs_help`: somebody as good as peers reaches it within the horizon with the chance alpha. `median_entries` and
    `most_entries`: entries within which half, and nine of ten, of those as good as peers are cleared; NaN beyond the horizon.
    """

    competent: float
    needs_help: float
    median_entries: float
    most_entries: float


def log_likelihood_increments(missed: FloatArray, expected: FloatArray, ratio: float, dispersion: float) -> FloatArray:
    """Evidence of each entry for `expected` misses against `ratio` times as many: a Poisson log likelihood ratio.

    Divided by the dispersion of the counts (quasi-likelihood: P. McCullagh & J. A. Nelder 1989, Generalized Linear Models,
    chapter 9).
    """
    return np.asarray((expected * (ratio - 1) - missed * np.log(ratio)) / dispersion)


def reset_cusum(steps: FloatArray, highest: float = np.inf) -> FloatArray:
    """Sums of the steps that never fall below 0 nor rise above `highest`, along the first axis.

    Source: E. S. Page 1954, Biometrika 41:100-115.
    """
    sums, total = np.empty_like(steps, dtype=float), np.zeros(steps.shape[1:])
    for number, step in enumerate(steps):
        total = np.clip(total + step, 0.0, highest)
        sums[number] = total
    return sums


def learning_limits(
    mean: float, ratio: float, dispersion: Dispersion, alpha: float, rng: np.random.Generator
) -> LearningLimits:
    """Limits by simulation.

    Parameters
    ----------
    mean
        Misses expected of peers in an entry, above 0. Where entries differ, their mean: drift and variance of the sums are
        both proportional to what is expected, so only its sum over the horizon matters.
    ratio
        How many times the peers' misses are not good enough.
    dispersion
        How the counts vary.
    alpha
        Chance of each kind of error within the horizon.
    rng
        Random generator.
    """
    expected = np.full((HORIZON, 1), mean)
    level = np.exp(dispersion.level_sd * rng.standard_normal(DRAWS))
    poor, good = (_draw_counts(expected * factor * level, dispersion.counts, rng) for factor in (ratio, 1.0))
    clearing = [
        reset_cusum(log_likelihood_increments(count, expected, ratio, dispersion.counts)) for count in (poor, good)
    ]
    alarm = reset_cusum(-log_likelihood_increments(good, expected, ratio, dispersion.counts))
    competent = float(np.quantile(clearing[0].max(axis=0), 1 - alpha))
    reached = clearing[1] >= competent
    entries = np.where(reached.any(axis=0), reached.argmax(axis=0) + 1.0, np.inf)
    half, most = np.quantile(entries, [0.5, 0.9], method="higher")
    return LearningLimits(
        competent,
        float(np.quantile(alarm.max(axis=0), 1 - alpha)),
        float(half if np.isfinite(half) else np.nan),
        float(most if np.isfinite(most) else np.nan),
    )


def _draw_counts(mean: FloatArray, dispersion: float, rng: np.random.Generator) -> FloatArray:
    """Poisson counts, or negative binomial ones with variance `dispersion` times their mean: horizon × draws."""
    level = mean
    if dispersion > 1:
        level = rng.gamma(level / (dispersion - 1), dispersion - 1)
    return rng.poisson(level).astype(float)
