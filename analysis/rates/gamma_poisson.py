"""Ratios pulled toward what is expected, the more the thinner their evidence: gamma-Poisson empirical Bayes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.stats import gamma_quantile

FloatArray = NDArray[np.float64]
NO_SPREAD, NO_GAIN = 1e5, 1e-4


@dataclass(frozen=True)
class EmpiricalBayesRate:
    """The gamma's shape `nu` and rate `alpha`; posterior mean of each group's ratio is (O + nu) / (E + alpha)."""

    nu: float
    alpha: float
    log_likelihood: float
    observed: FloatArray
    expected: FloatArray

    @property
    def ratio(self) -> FloatArray:
        return (self.observed + self.nu) / (self.expected + self.alpha)

    def quantile(self, level: float) -> FloatArray:
        return gamma_quantile(level, self.observed + self.nu) / (self.expected + self.alpha)

    def draws(self, number: int, rng: np.random.Generator) -> FloatArray:
        """Posterior draws of the ratios, one row a draw."""
        return rng.gamma(self.observed + self.nu, size=(number, len(self.observed))) / (self.expected + self.alpha)


def gamma_poisson(observed: FloatArray, expected: FloatArray) -> EmpiricalBayesRate:
    """Marginal maximum likelihood of the gamma that groups' ratios come from.

    Source: D. Clayton & J. Kaldor 1987, Biometrics 43:671-681. Where groups differ no more than chance the gamma is all
    but a point.

    Parameters
    ----------
    observed, expected
        Counts and expectations above 0, one a group.
    """
    from scipy import optimize, special

    def loss(at: FloatArray) -> tuple[float, FloatArray]:
        """Minus the log-likelihood and its slope in the logarithms of nu and alpha."""
        nu, alpha = np.exp(at)
        shared, part = np.log(alpha / (alpha + expected)), expected / (alpha + expected)
        terms = special.gammaln(observed + nu) - special.gammaln(nu) + nu * shared
        terms += observed * np.log(part) - special.gammaln(observed + 1)
        by_nu = nu * (special.digamma(observed + nu) - special.digamma(nu) + shared).sum()
        by_alpha = (nu * part - observed * (1 - part)).sum()
        return -float(terms.sum()), -np.array([by_nu, by_alpha])

    mean = max(observed.sum() / max(expected.sum(), 1e-9), 1e-6)
    bounds = [(np.log(0.05), np.log(NO_SPREAD)), (np.log(0.05 / mean), np.log(NO_SPREAD / mean))]
    starts = [np.log([nu, nu / mean]) for nu in (2.0, 50.0, NO_SPREAD / 2)]
    tight = {"gtol": 1e-12, "ftol": 1e-16, "maxiter": 500}
    fits = [optimize.minimize(loss, s, jac=True, method="L-BFGS-B", bounds=bounds, options=tight) for s in starts]
    best = min(fits, key=lambda each: each.fun)
    flat = np.log([NO_SPREAD, NO_SPREAD / mean])
    with np.errstate(all="ignore"):  # it may look far outside on its way
        top = optimize.root(lambda at: loss(at)[1], best.x, tol=1e-14).x
    top = (
        top
        if loss(top)[0] <= best.fun + 1e-9 and all(lo <= x <= hi for x, (lo, hi) in zip(top, bounds, strict=True))
        else best.x
    )
    at = top if loss(flat)[0] - best.fun > NO_GAIN else flat  # on a flat top every place is as good: take one
    nu, alpha = np.exp(at)
    return EmpiricalBayesRate(float(nu), float(alpha), -loss(at)[0], observed, expected)
