"""What chance alone explains of observed over expected, widened where groups differ more than chance in general."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from analysis.stats import between_variance, gamma_quantile, negative_binomial_mid_tails, poisson_mid_tails

Numbers = NDArray[np.float64]
WINSORISED = 0.1


@dataclass(frozen=True)
class Overdispersion:
    """`phi`: mean squared z; `tau2`: variance between groups of the log ratio beyond chance."""

    phi: float
    tau2: float


def overdispersion(observed: Numbers, expected: Numbers, winsorised: float = WINSORISED) -> Overdispersion:
    """How much more groups differ than chance explains.

    z = sqrt(E) log(O / E); the outermost tenths are drawn in first, so that one outlier does not widen its own limits.
    Source: D. J. Spiegelhalter 2005, Stat. Med. 24:1185-1202; tau² by DerSimonian & Laird 1986.

    Parameters
    ----------
    observed, expected
        Counts and expectations above 0, one a group; a count of 0 counts as half.
    winsorised
        Share drawn in at each end.
    """
    z = np.sqrt(expected) * np.log(np.maximum(observed, 0.5) / expected)
    if winsorised:
        z = np.clip(z, *np.quantile(z, [winsorised, 1 - winsorised]))
    phi = float((z**2).mean()) if len(z) else 1.0
    return Overdispersion(phi, between_variance(z / np.sqrt(expected), 1 / expected, centre=0.0))


def chance_limits(expected: Numbers, level: float = 0.95, tau2: float = 0.0) -> tuple[Numbers, Numbers]:
    """Limits of the ratio that chance explains, exact Poisson, or on the log scale with tau² added.

    Source of the exact limits: chi-square quantiles, as drawn in funnel plots of standardised ratios.
    """
    tail = (1 - level) / 2
    lo = gamma_quantile(tail, expected) / expected
    hi = gamma_quantile(1 - tail, expected + 1) / expected
    if tau2 <= 0:
        return lo, hi
    reach = NormalDist().inv_cdf(1 - tail) * np.sqrt(1 / expected + tau2)
    return np.minimum(lo, np.exp(-reach)), np.maximum(hi, np.exp(reach))


def two_sided_p(observed: Numbers, expected: Numbers, tau2: float = 0.0) -> Numbers:
    """Mid-p of the count under chance: Poisson, or negative binomial where groups differ in general."""
    if tau2 <= 0:
        fewer, more = poisson_mid_tails(observed, expected)
    else:
        fewer, more = negative_binomial_mid_tails(observed, expected, 1 / tau2)
    return np.minimum(1.0, 2 * np.minimum(fewer, more))
