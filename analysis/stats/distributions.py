"""Tail probabilities and quantiles of common distributions; numbers or arrays, broadcast.

From scipy.special, which scipy.stats wraps and which takes a second less to import; imported inside the functions so
that commands that need no statistics start without it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def normal_tail(z: ArrayLike) -> FloatArray:
    """P(Z > z), standard normal."""
    from scipy import special

    return np.asarray(special.ndtr(-np.asarray(z)))


def student_tail(t: ArrayLike, degrees_of_freedom: ArrayLike) -> FloatArray:
    """P(T > t), Student's t."""
    from scipy import special

    return np.asarray(special.stdtr(degrees_of_freedom, -np.asarray(t)))


def student_quantile(level: float, degrees_of_freedom: float) -> float:
    """Quantile of Student's t."""
    from scipy import special

    return float(special.stdtrit(degrees_of_freedom, level))


def chi_square_tail(value: ArrayLike, degrees_of_freedom: ArrayLike) -> FloatArray:
    """P(X > value), chi-square."""
    from scipy import special

    return np.asarray(special.chdtrc(degrees_of_freedom, value))


def poisson_tail(count: ArrayLike, mean: ArrayLike) -> FloatArray:
    """P(X ≥ count), Poisson."""
    from scipy import special

    count = np.asarray(count)
    return np.where(count > 0, special.gammainc(np.maximum(count, 1), mean), 1.0)


def binomial_tail(count: int, trials: int, share: float) -> float:
    """P(X ≥ count), binomial with `trials` and success probability `share`."""
    from scipy import special

    return 1.0 if count <= 0 else float(special.betainc(count, trials - count + 1, share))


def gamma_quantile(level: ArrayLike, shape: ArrayLike) -> FloatArray:
    """Quantile of the gamma distribution with rate 1; with shape df / 2, twice it is the chi-square quantile."""
    from scipy import special

    return np.asarray(special.gammaincinv(shape, level))


def beta_quantile(level: ArrayLike, a: ArrayLike, b: ArrayLike) -> FloatArray:
    """Quantile of the beta distribution."""
    from scipy import special

    return np.asarray(special.betaincinv(a, b, level))


def poisson_mid_p(count: FloatArray, mean: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lower and upper mid-p tails of a Poisson count: P(X < count) + P(X = count) / 2, and one minus it."""
    from scipy import special

    half = 0.5 * np.exp(special.xlogy(count, mean) - special.gammaln(count + 1) - mean)
    return special.pdtr(count, mean) - half, special.pdtrc(count, mean) + half


def conditional_mid_p(count: FloatArray, mean: FloatArray, reference: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lower and upper mid-p tails where the mean is estimated from a reference count.

    Conditional on the sum of both counts the first is binomial; neither need be whole (regularised incomplete beta).
    """
    from scipy import special

    share = mean / (mean + reference)
    more = special.betainc(count + 1, np.maximum(reference, 1e-300), share)
    this_or_more = np.where(count > 0, special.betainc(np.maximum(count, 1e-300), reference + 1, share), 1.0)
    larger = (more + this_or_more) / 2
    return 1 - larger, larger


def hypergeometric_mid_p(count: int, draws: int, successes: int, total: int) -> tuple[float, float]:
    """Lower and upper mid-p tails of the successes among `draws` from `total`: P(X < count) + P(X = count) / 2, and 1 - it.

    Sources: R. A. Fisher 1935, The Design of Experiments; mid-p, H. O. Lancaster 1961, J. Am. Stat. Assoc. 56:223-234.
    """
    from scipy import special

    x = np.arange(max(0, draws + successes - total), min(draws, successes) + 1)
    terms = ((successes, x), (total - successes, draws - x))
    log_mass = sum(special.gammaln(n + 1) - special.gammaln(m + 1) - special.gammaln(n - m + 1) for n, m in terms)
    mass = np.exp(log_mass - log_mass.max())
    mass /= mass.sum()
    half = mass[x == count].sum() / 2
    return float(mass[x < count].sum() + half), float(mass[x > count].sum() + half)
