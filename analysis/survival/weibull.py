"""Early life or wear-out: a Weibull fit to the times to return."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.stats import Z95

FloatArray = NDArray[np.float64]
MIN_RETURNS = 10


@dataclass(frozen=True)
class Weibull:
    """Shape and scale (days) with 95% limits, and what the shape says in words.

    A shape below 1 is a hazard that falls with time (workmanship), above 1 one that rises (wear-out).
    """

    shape: float
    shape_lo: float
    shape_hi: float
    scale_days: float
    scale_lo_days: float
    scale_hi_days: float
    log_likelihood: float
    returns: int
    interpretation: str


def weibull(days: FloatArray, returned: NDArray[np.bool_], number: FloatArray | None = None) -> Weibull | None:
    """Maximum-likelihood Weibull of times to return, the rest censored; None with fewer than 10 returns.

    Newton's method on log shape and log scale; limits from the observed information on that scale. A return on day 0
    counts as half a day.

    Source: W. Q. Meeker & L. A. Escobar 1998, Statistical Methods for Reliability Data, chapter 8.

    Parameters
    ----------
    days
        Time at risk, days, one a bleed or one a kind of bleed.
    returned
        Whether it ended in a return; others are censored.
    number
        How many bleeds each stands for; one unless given.
    """
    number = np.ones(len(days)) if number is None else number
    events = int(number[returned].sum())
    if events < MIN_RETURNS or len(np.unique(days[returned])) < 2:
        return None
    t = np.log(np.maximum(days.astype(float), 0.5))
    log_shape = weibull_log_shape(t, number * returned, np.log(number))
    k = np.exp(log_shape)
    log_scale = (_log_sum(k * t, number) - np.log(events)) / k
    covariance = np.linalg.inv(_information(t, returned, number, k, log_scale))
    shape_sd, scale_sd = np.sqrt(np.diag(covariance))
    z = k * (t - log_scale)
    log_hazards = (np.log(k) - log_scale + (k - 1) * (t - log_scale))[returned]
    likelihood = float(number[returned] @ log_hazards - number @ np.exp(z))
    lo, hi = k * np.exp(-Z95 * shape_sd), k * np.exp(Z95 * shape_sd)
    scale = np.exp(log_scale)
    spread = np.exp(Z95 * scale_sd)
    return Weibull(
        float(k), float(lo), float(hi), float(scale), float(scale / spread), float(scale * spread), likelihood, events,
        _interpretation(float(lo), float(hi)),
    )  # fmt: skip


def weibull_log_shape(t: FloatArray, returns: FloatArray, log_hazard: FloatArray) -> float:
    """The logarithm of the shape of largest likelihood: root of its profile score, by Newton.

    Parameters
    ----------
    t
        Logarithms of times at risk, in any unit; returns on two days at least.
    returns
        How many ended in a return at each.
    log_hazard
        Logarithm of the hazard, over the baseline's, of all whose time at risk that is; of their number where all are
        alike.
    """
    mean = returns @ t / returns.sum()
    log_k = 0.0
    for _ in range(100):
        k = np.exp(log_k)
        size = k * t + log_hazard
        weight = np.exp(size - size.max())
        weight /= weight.sum()
        centre = weight @ t
        score = 1 / k + mean - centre
        slope = -1 / k - k * (weight @ (t - centre) ** 2)
        step = score / slope
        log_k -= np.clip(step, -1, 1)
        if abs(step) < 1e-12:
            break
    return float(log_k)


def _information(
    t: FloatArray, returned: NDArray[np.bool_], number: FloatArray, k: float, log_scale: float
) -> FloatArray:
    """Observed information in (log shape, log scale)."""
    z = k * (t - log_scale)
    w = number * np.exp(z)
    d = number[returned].sum()
    shape = (w * z * z + w * z).sum() - number[returned] @ z[returned]
    cross = -k * (w * z + w).sum() + k * d
    return np.array([[shape, cross], [cross, k * k * w.sum()]])


def _log_sum(x: FloatArray, number: FloatArray) -> float:
    return float(x.max() + np.log(number @ np.exp(x - x.max())))


def _interpretation(lo: float, hi: float) -> str:
    if hi < 1:
        return "Most comebacks come early and tail off, as workmanship faults do"
    if lo > 1:
        return "Comebacks become more likely with time, as with parts that wear out"
    return "It is too early to say whether comebacks come early or late"
