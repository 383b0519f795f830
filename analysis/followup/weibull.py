"""Early life or wear-out: a Weibull fit to the times to return."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.stats import Z95

Numbers = NDArray[np.float64]
LEAST_RETURNS = 10


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
    words: str


def weibull(days: Numbers, returned: NDArray[np.bool_]) -> Weibull | None:
    """Maximum-likelihood Weibull of times to return, the rest censored; None with fewer than 10 returns.

    Newton's method on log shape and log scale; limits from the observed information on that scale. A return on day 0
    counts as half a day.

    Source: W. Q. Meeker & L. A. Escobar 1998, Statistical Methods for Reliability Data, chapter 8.

    Parameters
    ----------
    days
        Time at risk, days, one a bleed.
    returned
        Whether it ended in a return; others are censored.
    """
    events = int(returned.sum())
    if events < LEAST_RETURNS or len(np.unique(days[returned])) < 2:
        return None
    t = np.log(np.maximum(days.astype(float), 0.5))
    log_shape = weibull_log_shape(t, returned, np.zeros(len(t)))
    k = np.exp(log_shape)
    log_scale = (_log_sum(k * t) - np.log(events)) / k
    covariance = np.linalg.inv(_information(t, returned, k, log_scale))
    shape_sd, scale_sd = np.sqrt(np.diag(covariance))
    z = k * (t - log_scale)
    likelihood = float((np.log(k) - log_scale + (k - 1) * (t - log_scale))[returned].sum() - np.exp(z).sum())
    lo, hi = k * np.exp(-Z95 * shape_sd), k * np.exp(Z95 * shape_sd)
    scale = np.exp(log_scale)
    spread = np.exp(Z95 * scale_sd)
    return Weibull(
        float(k), float(lo), float(hi), float(scale), float(scale / spread), float(scale * spread), likelihood, events,
        _words(float(lo), float(hi)),
    )  # fmt: skip


def weibull_log_shape(t: Numbers, returned: NDArray[np.bool_], log_hazard: Numbers) -> float:
    """The logarithm of the shape of largest likelihood: root of its profile score, by Newton.

    Parameters
    ----------
    t
        Logarithm of each bleed's time at risk, in any unit; returns on two days at least.
    returned
        Whether it ended in a return.
    log_hazard
        By which each bleed's hazard differs from the baseline's; 0 where all are alike.
    """
    mean = t[returned].mean()
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


def _information(t: Numbers, returned: NDArray[np.bool_], k: float, log_scale: float) -> Numbers:
    """Observed information in (log shape, log scale)."""
    z = k * (t - log_scale)
    w = np.exp(z)
    d = returned.sum()
    shape = (w * z * z + w * z).sum() - z[returned].sum()
    cross = -k * (w * z + w).sum() + k * d
    return np.array([[shape, cross], [cross, k * k * w.sum()]])


def _log_sum(x: Numbers) -> float:
    return float(x.max() + np.log(np.exp(x - x.max()).sum()))


def _words(lo: float, hi: float) -> str:
    if hi < 1:
        return "returns come early and thin out with time, as faults of workmanship do"
    if lo > 1:
        return "returns grow more likely with time, as parts that wear out do"
    return "whether returns come early or late cannot be told yet"
