"""Gamma-Poisson empirical Bayes: ratios adjusted towards the overall mean, more so where there are few comebacks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.stats import spread_posterior

FloatArray = NDArray[np.float64]
MAX_NU, MIN_GAIN = 1e5, 1e-4
"""Prior shape at which groups have practically the same ratio, and the log likelihood that a smaller one must gain."""

LARGEST_SPREAD = 1.0
"""Largest standard deviation of log ratios between groups that `draws` considers: two in three within a factor of e."""


@dataclass(frozen=True)
class EmpiricalBayesRate:
    """Gamma prior with shape `nu` and rate `alpha`; each group's posterior mean ratio is (O + nu) / (E + alpha)."""

    nu: float
    alpha: float
    log_likelihood: float
    observed: FloatArray
    expected: FloatArray

    @property
    def ratio(self) -> FloatArray:
        return (self.observed + self.nu) / (self.expected + self.alpha)

    def draws(self, number: int, rng: np.random.Generator) -> FloatArray:
        """Posterior draws of the ratios: draws × groups, over what the prior's mean and spread may be.

        With few groups the likelihood is often flattest where all ratios are the same; taking that as known would leave
        intervals far too narrow.
        """
        counts = np.maximum(self.observed, 0.5)
        log_ratio, variances = np.log(counts / self.expected), 1 / counts
        spread = spread_posterior(log_ratio, variances, LARGEST_SPREAD)
        sd = rng.choice(spread.sd, (number, 1), p=spread.probability)
        weight = 1 / (sd**2 + variances)
        precision = weight.sum(axis=1, keepdims=True)
        log_mean = (weight * log_ratio).sum(axis=1, keepdims=True) / precision
        mean, nu = np.exp(log_mean + rng.normal(size=(number, 1)) / np.sqrt(precision)), sd**-2
        return rng.gamma(self.observed + nu) / (self.expected + nu / mean)


def gamma_poisson(observed: FloatArray, expected: FloatArray) -> EmpiricalBayesRate:
    """Estimate the gamma distribution of the groups' ratios by marginal maximum likelihood (negative binomial).

    Source: D. Clayton & J. Kaldor 1987, Biometrics 43:671-681. Where groups do not vary more than Poisson counts, the
    prior is practically a point.

    Parameters
    ----------
    observed, expected
        Observed counts, and expected ones above 0, one per group.
    """
    from scipy import optimize, special

    def loss(parameters: FloatArray) -> tuple[float, FloatArray]:
        """Minus the log likelihood and its gradient in log nu and log alpha."""
        nu, alpha = np.exp(parameters)
        log_prior_share, count_share = np.log(alpha / (alpha + expected)), expected / (alpha + expected)
        terms = special.gammaln(observed + nu) - special.gammaln(nu) + nu * log_prior_share
        terms += observed * np.log(count_share) - special.gammaln(observed + 1)
        by_nu = nu * (special.digamma(observed + nu) - special.digamma(nu) + log_prior_share).sum()
        by_alpha = (nu * count_share - observed * (1 - count_share)).sum()
        return -float(terms.sum()), -np.array([by_nu, by_alpha])

    mean = max(observed.sum() / max(expected.sum(), 1e-9), 1e-6)
    bounds = [(np.log(0.05), np.log(MAX_NU)), (np.log(0.05 / mean), np.log(MAX_NU / mean))]
    starts = [np.log([nu, nu / mean]) for nu in (2.0, 50.0, MAX_NU / 2)]
    options = {"gtol": 1e-12, "ftol": 1e-16, "maxiter": 500}
    fits = [optimize.minimize(loss, s, jac=True, method="L-BFGS-B", bounds=bounds, options=options) for s in starts]
    best = min(fits, key=lambda fit: fit.fun)
    with np.errstate(all="ignore"):  # the root finder may step far outside the bounds
        polished = optimize.root(lambda parameters: loss(parameters)[1], best.x, tol=1e-14).x
    inside = all(lo <= x <= hi for x, (lo, hi) in zip(polished, bounds, strict=True))
    mode = polished if loss(polished)[0] <= best.fun + 1e-9 and inside else best.x
    point_prior = np.log([MAX_NU, MAX_NU / mean])
    if loss(point_prior)[0] - best.fun <= MIN_GAIN:  # a flat likelihood has no unique mode: take the point prior
        mode = point_prior
    nu, alpha = np.exp(mode)
    return EmpiricalBayesRate(float(nu), float(alpha), -loss(mode)[0], observed, expected)
