"""Distributions (numbers or arrays, broadcast), and confidence limits of counts, proportions and ratios.

From scipy.special, which scipy.stats wraps and which takes a second less to import; imported inside the functions so
that commands that need no statistics start without it.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
Z95 = NormalDist().inv_cdf(0.975)
"""The 97.5% quantile of the standard normal distribution."""


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


def hypergeometric_mass(draws: int, successes: int, total: int) -> tuple[NDArray[np.int64], FloatArray]:
    """The numbers of successes that `draws` from `total` can hold, and the probability of each."""
    from scipy import special

    x = np.arange(max(0, draws + successes - total), min(draws, successes) + 1)
    terms = ((successes, x), (total - successes, draws - x))
    log_mass = sum(special.gammaln(n + 1) - special.gammaln(m + 1) - special.gammaln(n - m + 1) for n, m in terms)
    mass = np.exp(log_mass - log_mass.max())
    return x, mass / mass.sum()


def hypergeometric_mid_p(count: int, draws: int, successes: int, total: int) -> tuple[float, float]:
    """Lower and upper mid-p tails of the successes among `draws` from `total`: P(X < count) + P(X = count) / 2, and 1 - it.

    Sources: R. A. Fisher 1935, The Design of Experiments; mid-p, H. O. Lancaster 1961, J. Am. Stat. Assoc. 56:223-234.
    """
    x, mass = hypergeometric_mass(draws, successes, total)
    half = mass[x == count].sum() / 2
    return float(mass[x < count].sum() + half), float(mass[x > count].sum() + half)


@dataclass(frozen=True)
class Interval:
    """Lower and upper limits, one per group."""

    lo: FloatArray
    hi: FloatArray


def wilson(successes: ArrayLike, trials: ArrayLike, level: float = 0.95) -> Interval:
    """Score limits of a proportion (E. B. Wilson 1927, J. Am. Stat. Assoc. 22:209-212).

    Parameters
    ----------
    successes, trials
        Counts, the same shape; where `trials` is 0 the limits are NaN.
    level
        Coverage, in (0, 1).
    """
    x, n = np.asarray(successes, dtype=float), np.asarray(trials, dtype=float)
    z = NormalDist().inv_cdf(0.5 + level / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        p = x / n
        middle = (p + z * z / (2 * n)) / (1 + z * z / n)
        half_width = z / (1 + z * z / n) * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
        return Interval(
            np.where(x == 0, 0.0, middle - half_width) + 0 * p,
            np.where(x == n, 1.0, middle + half_width) + 0 * p,
        )


def exact_binomial_limits(successes: ArrayLike, trials: ArrayLike, level: float = 0.95) -> Interval:
    """Exact limits of a proportion (C. J. Clopper & E. S. Pearson 1934, Biometrika 26:404-413)."""
    x, n = np.asarray(successes, dtype=float), np.asarray(trials, dtype=float)
    tail = (1 - level) / 2
    lo = np.where(x > 0, beta_quantile(tail, np.maximum(x, 1), n - x + 1), 0.0)
    hi = np.where(x < n, beta_quantile(1 - tail, x + 1, np.maximum(n - x, 1)), 1.0)
    return Interval(lo, hi)


def exact_poisson_limits(counts: ArrayLike, level: float = 0.95) -> Interval:
    """Exact limits of a Poisson mean (F. Garwood 1936, Biometrika 28:437-442)."""
    x = np.asarray(counts, dtype=float)
    tail = (1 - level) / 2
    lo = np.where(x > 0, gamma_quantile(tail, np.maximum(x, 0.5)), 0.0)
    return Interval(lo, gamma_quantile(1 - tail, x + 1))


def byar_limits(counts: ArrayLike, level: float = 0.95) -> Interval:
    """Byar's approximation of the exact Poisson limits (N. E. Breslow & N. E. Day 1987, volume II, p. 69)."""
    x = np.asarray(counts, dtype=float)
    z = NormalDist().inv_cdf(0.5 + level / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        lo = np.where(x > 0, x * (1 - 1 / (9 * x) - z / (3 * np.sqrt(x))) ** 3, 0.0)
    return Interval(lo, (x + 1) * (1 - 1 / (9 * (x + 1)) + z / (3 * np.sqrt(x + 1))) ** 3)


def ratio_limits(counts: ArrayLike, expected: ArrayLike, reference: ArrayLike, level: float = 0.95) -> Interval:
    """Exact limits of an observed over an expected count, where the expected count is itself estimated from a count.

    Conditional on the sum of both counts the first is binomial (J. Przyborowski & H. Wilenski 1940, Biometrika
    31:313-323); with an infinite reference count these are Garwood's limits of a Poisson mean.

    Parameters
    ----------
    counts, expected
        Observed counts, and expected counts above 0.
    reference
        Counts from which the expected ones are estimated, above 0; infinite where the expectation is known. Need not be
        whole.
    level
        Coverage, in (0, 1).
    """
    x, e, m = (np.asarray(each, dtype=float) for each in np.broadcast_arrays(counts, expected, reference))
    tail, estimated = (1 - level) / 2, np.isfinite(m)
    m = np.where(estimated, m, 1.0)
    low = beta_quantile(tail, np.maximum(x, 1e-9), m + 1)
    high = beta_quantile(1 - tail, x + 1, m)
    poisson = exact_poisson_limits(x, level)
    lo = np.where(estimated, np.where(x > 0, low / (1 - low) * m, 0.0), poisson.lo)
    hi = np.where(estimated, high / np.maximum(1 - high, 1e-300) * m, poisson.hi)
    return Interval(lo / e, hi / e)


def share_difference(now: tuple[float, float], before: tuple[float, float], level: float = 0.95) -> Interval:
    """Limits of the difference of two shares of independent counts, `now` less `before`.

    Each is (successes, trials). Method 10 of R. G. Newcombe 1998, Statist. Med. 17:873-890: the Wilson limits of both.
    """
    first, second = wilson(*now, level), wilson(*before, level)
    shares = [successes / trials for successes, trials in (now, before)]
    lower = np.hypot(shares[0] - first.lo, second.hi - shares[1])
    upper = np.hypot(first.hi - shares[0], shares[1] - second.lo)
    change = shares[0] - shares[1]
    return Interval(np.asarray(change - lower), np.asarray(change + upper))
