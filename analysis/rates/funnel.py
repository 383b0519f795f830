"""Funnel limits and p-values of observed over expected counts, with overdispersion between groups.

The expectation for a group is itself estimated from comebacks of the other groups: `reference` is the count with the
same precision, infinite where the expectation is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.stats import between_variance, conditional_mid_p, poisson_mid_p, ratio_limits

FloatArray = NDArray[np.float64]
WINSORISED_SHARE = 0.1


@dataclass(frozen=True)
class Overdispersion:
    """`phi`: mean squared z-score; `tau2`: variance between groups of the log ratio."""

    phi: float
    tau2: float


def overdispersion(
    observed: FloatArray, expected: FloatArray, winsorised: float = WINSORISED_SHARE, reference: ArrayLike = np.inf
) -> Overdispersion:
    """Overdispersion of z = log(O / E) / standard error, winsorised so that an outlier does not widen its own limits.

    Sources: D. J. Spiegelhalter 2005, Stat. Med. 24:1185-1202; tau² by R. DerSimonian & N. Laird 1986, Control. Clin.
    Trials 7:177-188.

    Parameters
    ----------
    observed, expected
        Observed counts, and expected ones above 0, one per group; a count of 0 is taken as 0.5.
    winsorised
        Share of groups winsorised at each end.
    reference
        Count that each expectation is estimated from.
    """
    weight = 1 / (1 / expected + 1 / np.asarray(reference))
    z = np.sqrt(weight) * np.log(np.maximum(observed, 0.5) / expected)
    if winsorised:
        z = np.clip(z, *np.quantile(z, [winsorised, 1 - winsorised]))
    phi = float((z**2).mean()) if len(z) else 1.0
    return Overdispersion(phi, between_variance(z / np.sqrt(weight), 1 / weight, centre=0.0))


def chance_limits(
    expected: FloatArray, level: float = 0.95, tau2: float = 0.0, reference: ArrayLike = np.inf
) -> tuple[FloatArray, FloatArray]:
    """Funnel limits of the ratio O / E about 1: exact, or wider on the log scale where tau² is above 0.

    Exact limits from chi-square quantiles (Poisson), or conditional binomial ones where the expectation is estimated
    from a count.
    """
    exact = ratio_limits(expected, expected, reference, level)
    if tau2 <= 0:
        return exact.lo, exact.hi
    half_width = NormalDist().inv_cdf(0.5 + level / 2) * np.sqrt(1 / expected + 1 / np.asarray(reference) + tau2)
    return np.minimum(exact.lo, np.exp(-half_width)), np.maximum(exact.hi, np.exp(half_width))


def two_sided_p(
    observed: FloatArray, expected: FloatArray, tau2: float = 0.0, reference: ArrayLike = np.inf
) -> FloatArray:
    """Two-sided mid-p value of a count: Poisson, or conditional binomial if the expectation is estimated from a count.

    tau² adds to the relative variance of the expectation, 1 / reference.
    """
    relative_variance = 1 / np.asarray(reference) + tau2 + np.zeros_like(expected)
    exact = relative_variance <= 0
    poisson = poisson_mid_p(observed, expected)
    conditional = conditional_mid_p(observed, expected, 1 / np.where(exact, 1.0, relative_variance))
    lower, upper = (np.where(exact, ours, theirs) for ours, theirs in zip(poisson, conditional, strict=True))
    return np.minimum(1.0, 2 * np.minimum(lower, upper))
