"""Since when: the month from which counts differ from what was expected, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.monitoring.null_model import DRAWS, MonthlySeries, NullModel, fit_null_model, tail_probability

FloatArray = NDArray[np.float64]
MIN_MONTHS = 4
STEPS, MAX_LOG = 12, 20.0


@dataclass(frozen=True)
class ChangePoint:
    """`index` is the first month of the new state; `ratio` the rate after over before; `p_value` against no change."""

    index: int
    ratio: float
    p_value: float


def change_point(
    observed: FloatArray, expected: FloatArray, rng: np.random.Generator, draws: int = DRAWS
) -> ChangePoint | None:
    """The month a single change of level began in a series without a season; `locate_change` of its null.

    Parameters
    ----------
    observed, expected
        Counts and expectations, one a month, every month of the calendar.
    rng, draws
        For the p-value.
    """
    if len(observed) < MIN_MONTHS or observed.sum() == 0:
        return None
    series = MonthlySeries(np.arange(len(observed)), observed, np.full(len(observed), np.inf), expected)
    return locate_change(fit_null_model(series, rng, draws, seasonal=False))


def locate_change(null: NullModel) -> ChangePoint:
    """The most likely place of one lasting change of level, with level and season fitted at the same time.

    The p-value is that of the largest score statistic over all places, divided by the spread from month to month, among
    draws of the null. Sources: D. V. Hinkley 1970, Biometrika 57:1-17 (one change, maximum likelihood); the efficient
    score with nuisance parameters, C. R. Rao 1948, Math. Proc. Camb. Philos. Soc. 44:50-57.
    """
    gain = _gain(null, null.series.observed, np.zeros_like(null.mean))
    place = _began(null)
    own = null.series.observed / null.mean
    p_value = tail_probability(
        _gain(null, null.draws, null.shift).max(axis=1) / null.drawn_spread, gain.max() / null.spread
    )
    before, after = (np.average(own[part], weights=null.mean[part]) for part in (slice(place), slice(place, None)))
    return ChangePoint(place, float(after / before) if before > 0 else np.inf, p_value)


def _gain(null: NullModel, counts: FloatArray, shift: FloatArray) -> FloatArray:
    """Squared standardised score of a change after each month but the last; `shift` is what fitting moved."""
    left = (counts - null.mean) / (1 + null.tau2 * null.mean) - null.weight * shift
    score = np.cumsum(left[..., ::-1], axis=-1)[..., ::-1][..., 1:]
    variance = null.covariance_after
    return np.where(variance > 1e-9, score**2 / np.maximum(variance, 1e-9), 0.0)


def _began(null: NullModel) -> int:
    """The first month of the new state at the most likely change; the season counts where it earns its two parameters (G.
    Schwarz 1978, Ann. Stat. 6:461-464)."""
    plain = _log_likelihood(null, null.basis[:, :1])
    if null.basis.shape[1] == 1:
        return int(plain.argmax()) + 1
    seasonal = _log_likelihood(null, null.basis)
    earned = seasonal.max() - plain.max() > np.log(len(null.mean)) * (null.basis.shape[1] - 1) / 2
    return int((seasonal if earned else plain).argmax()) + 1


def _log_likelihood(null: NullModel, basis: FloatArray) -> FloatArray:
    """Of a change after each month but the last, with the coefficients of `basis` most likely: Poisson, or negative binomial
    where months vary more than chance."""
    size, o, tau2 = len(null.mean), null.series.observed, null.tau2
    usual = null.series.expected * (o.sum() / null.series.expected.sum())
    after = np.tril(np.ones((size, size)), -1)[:, :-1].T[:, :, None]
    x = np.concatenate([np.broadcast_to(basis, (size - 1, *basis.shape)), after], axis=2)
    b = np.zeros((size - 1, x.shape[2]))
    for _ in range(STEPS):
        mean = usual * np.exp(np.clip((x @ b[:, :, None])[:, :, 0], -MAX_LOG, MAX_LOG))
        score = (((o - mean) / (1 + tau2 * mean))[:, None, :] @ x)[:, 0]
        bend = np.swapaxes(x, 1, 2) @ ((mean / (1 + tau2 * mean))[:, :, None] * x)
        b += np.clip((np.linalg.pinv(bend, rcond=1e-10) @ score[:, :, None])[:, :, 0], -1, 1)
    log_mean = np.log(usual) + np.clip((x @ b[:, :, None])[:, :, 0], -MAX_LOG, MAX_LOG)
    if tau2 <= 0:
        return np.asarray((o * log_mean - np.exp(log_mean)).sum(axis=1))
    return np.asarray((o * log_mean - (o + 1 / tau2) * np.log1p(tau2 * np.exp(log_mean))).sum(axis=1))
