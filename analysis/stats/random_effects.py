"""Random effects: the variance between groups by the method of moments, and what it may be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
SPREADS = 200
"""Points of the grid of standard deviations, closer together near 0."""


def between_variance(estimates: FloatArray, variances: FloatArray, centre: float | None = None) -> float:
    """Method-of-moments estimate of the between-group variance (tau²); 0 with fewer than two groups.

    Source: R. DerSimonian & N. Laird 1986, Control. Clin. Trials 7:177-188.

    Parameters
    ----------
    estimates, variances
        Each group's estimate and its sampling variance, above 0.
    centre
        The value that groups vary about; their precision-weighted mean unless given.
    """
    if len(estimates) < 2:
        return 0.0
    weight = 1 / variances
    centre = float(weight @ estimates / weight.sum()) if centre is None else centre
    q = float(weight @ (estimates - centre) ** 2)
    scale = weight.sum() - (weight**2).sum() / weight.sum()
    return max(0.0, float((q - (len(estimates) - 1)) / scale))


@dataclass(frozen=True)
class SpreadPosterior:
    """The posterior of the standard deviation between groups on a grid: its values `sd` and their `probability`."""

    sd: FloatArray
    probability: FloatArray

    def shrink(self, estimates: FloatArray, variances: FloatArray, spread: FloatArray | float = 1.0) -> ShrunkEstimates:
        """Mean and standard deviation of each group's effect around 0, averaged over what the spread may be.

        `spread` scales the variance between groups for each estimate.
        """
        between = np.multiply.outer(self.sd**2, np.broadcast_to(spread, estimates.shape))
        reliability = between / (between + variances)
        means = reliability * estimates
        mean = self.probability @ means
        within, across = self.probability @ (reliability * variances), self.probability @ (means - mean) ** 2
        return ShrunkEstimates(mean, np.sqrt(within + across))


@dataclass(frozen=True)
class ShrunkEstimates:
    """Each group's posterior mean and standard deviation."""

    mean: FloatArray
    sd: FloatArray


def spread_posterior(estimates: FloatArray, variances: FloatArray, largest: float) -> SpreadPosterior:
    """Posterior of the standard deviation between groups, equally likely before from 0 to `largest`; the mean is integrated.

    A single estimate of the variance is often 0, which would leave every group without a difference and without an
    interval. Source: A. Gelman 2006, Bayesian Anal. 1:515-534; formula 5.21 of A. Gelman et al. 2013, Bayesian Data
    Analysis, 3rd ed. (number from memory).

    Parameters
    ----------
    estimates, variances
        Each group's estimate and its sampling variance, above 0; at least one group.
    largest
        Largest standard deviation considered, above 0.
    """
    places = (np.arange(SPREADS) + 0.5) / SPREADS
    sd = largest * places**2
    total = sd[:, None] ** 2 + variances
    precision = (1 / total).sum(axis=1)
    mean = (estimates / total).sum(axis=1) / precision
    log_density = -0.5 * (np.log(precision) + (np.log(total) + (estimates - mean[:, None]) ** 2 / total).sum(axis=1))
    probability = places * np.exp(log_density - log_density.max())  # `places`: the distance between points of the grid
    return SpreadPosterior(sd, probability / probability.sum())
