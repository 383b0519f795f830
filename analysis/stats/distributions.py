"""Tails and quantiles of the usual laws, from scipy.special: scipy.stats stands on it and takes a second more to import.

Every function takes numbers or arrays and broadcasts. scipy is imported where it is needed, so that a look at the help
stays quick.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def normal_tail(z: ArrayLike) -> FloatArray:
    """The chance of more than z standard deviations."""
    from scipy import special

    return np.asarray(special.ndtr(-np.asarray(z)))


def student_tail(t: ArrayLike, degrees_of_freedom: ArrayLike) -> FloatArray:
    """The chance of more than t, Student's law."""
    from scipy import special

    return np.asarray(special.stdtr(degrees_of_freedom, -np.asarray(t)))


def student_quantile(level: float, degrees_of_freedom: float) -> float:
    """Student's law."""
    from scipy import special

    return float(special.stdtrit(degrees_of_freedom, level))


def chi_square_tail(value: ArrayLike, degrees_of_freedom: ArrayLike) -> FloatArray:
    """The chance of more than a value."""
    from scipy import special

    return np.asarray(special.chdtrc(degrees_of_freedom, value))


def poisson_tail(count: ArrayLike, mean: ArrayLike) -> FloatArray:
    """The chance of so large a count or a larger one."""
    from scipy import special

    count = np.asarray(count)
    return np.where(count > 0, special.gammainc(np.maximum(count, 1), mean), 1.0)


def binomial_tail(count: int, trials: int, share: float) -> float:
    """The chance of so large a count or a larger one among so many."""
    from scipy import special

    return 1.0 if count <= 0 else float(special.betainc(count, trials - count + 1, share))


def gamma_quantile(level: ArrayLike, shape: ArrayLike) -> FloatArray:
    """Of the gamma law with rate 1; twice it, at half the degrees of freedom, is the chi-square's."""
    from scipy import special

    return np.asarray(special.gammaincinv(shape, level))


def beta_quantile(level: ArrayLike, a: ArrayLike, b: ArrayLike) -> FloatArray:
    """Of the beta law."""
    from scipy import special

    return np.asarray(special.betaincinv(a, b, level))


def poisson_mid_p(count: FloatArray, mean: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The chances of a smaller and of a larger count, half the chance of the count itself with either."""
    from scipy import special

    half = 0.5 * np.exp(special.xlogy(count, mean) - special.gammaln(count + 1) - mean)
    return special.pdtr(count, mean) - half, special.pdtrc(count, mean) + half


def conditional_mid_p(count: FloatArray, mean: FloatArray, reference: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The same where the mean rests on a reference count: binomial, given the sum of both; none of them need be whole."""
    from scipy import special

    share = mean / (mean + reference)
    more = special.betainc(count + 1, np.maximum(reference, 1e-300), share)
    this_or_more = np.where(count > 0, special.betainc(np.maximum(count, 1e-300), reference + 1, share), 1.0)
    larger = (more + this_or_more) / 2
    return 1 - larger, larger
