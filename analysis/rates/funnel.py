"""What chance alone explains of observed over expected, widened where groups differ more than chance in general.

An expectation rests on comebacks itself, those of the other groups: `reference` is their number, infinite where the
expectation may count as known.
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
    """`phi`: mean squared z; `tau2`: variance between groups of the log ratio beyond chance."""

    phi: float
    tau2: float


def overdispersion(
    observed: FloatArray, expected: FloatArray, winsorised: float = WINSORISED_SHARE, reference: ArrayLike = np.inf
) -> Overdispersion:
    """How much more groups differ than chance explains.

    z = log(O / E) over its standard error; the outermost tenths are drawn in first, so that one outlier does not widen
    its own limits. Source: D. J. Spiegelhalter 2005, Stat. Med. 24:1185-1202; tau² by DerSimonian & Laird 1986.

    Parameters
    ----------
    observed, expected
        Counts and expectations above 0, one a group; a count of 0 counts as half.
    winsorised
        Share drawn in at each end.
    reference
        Comebacks that the expectations rest on.
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
    """Limits of the ratio that chance explains, exact, or on the log scale with tau² added.

    Source of the exact limits: chi-square quantiles, as drawn in funnel plots of standardised ratios; conditional
    binomial ones where the expectation rests on a count.
    """
    exact = ratio_limits(expected, expected, reference, level)
    if tau2 <= 0:
        return exact.lo, exact.hi
    half_width = NormalDist().inv_cdf(0.5 + level / 2) * np.sqrt(1 / expected + 1 / np.asarray(reference) + tau2)
    return np.minimum(exact.lo, np.exp(-half_width)), np.maximum(exact.hi, np.exp(half_width))


def two_sided_p(
    observed: FloatArray, expected: FloatArray, tau2: float = 0.0, reference: ArrayLike = np.inf
) -> FloatArray:
    """Mid-p of the count under chance: Poisson, or conditional binomial where the expectation rests on a count.

    Where groups differ in general, tau² makes the expectation uncertain in the same way.
    """
    uncertain = 1 / np.asarray(reference) + tau2 + np.zeros_like(expected)
    known = uncertain <= 0
    fewer, more = poisson_mid_p(observed, expected)
    rests = conditional_mid_p(observed, expected, 1 / np.where(known, 1.0, uncertain))
    fewer, more = np.where(known, fewer, rests[0]), np.where(known, more, rests[1])
    return np.minimum(1.0, 2 * np.minimum(fewer, more))
