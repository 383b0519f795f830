"""Change point: the month in which the level of a monthly series changed, and its significance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.monitoring.null_model import DRAWS, MonthlySeries, NullModel, fit_null_model, tail_probability

FloatArray = NDArray[np.float64]
MIN_MONTHS = 4
SCORING_STEPS, MAX_LOG_RATIO = 12, 20.0


@dataclass(frozen=True)
class ChangePoint:
    """`index` is the first month at the new level, `ratio` the rate after over before, `p_value` that of no change."""

    index: int
    ratio: float
    p_value: float


def change_point(
    observed: FloatArray, expected: FloatArray, rng: np.random.Generator, draws: int = DRAWS
) -> ChangePoint | None:
    """Locate a single change of level in a series without season; None with too few months or no event.

    Parameters
    ----------
    observed, expected
        Observed and expected counts of each calendar month.
    rng, draws
        Random generator and number of draws for the p-value.
    """
    if len(observed) < MIN_MONTHS or observed.sum() == 0:
        return None
    series = MonthlySeries(np.arange(len(observed)), observed, np.full(len(observed), np.inf), expected)
    return locate_change(fit_null_model(series, rng, draws, seasonal=False))


def locate_change(null: NullModel) -> ChangePoint:
    """The maximum-likelihood change point, with level and season estimated at the same time.

    The p-value is that of the largest score statistic over all months, divided by the dispersion, among draws from the
    null model. Sources: D. V. Hinkley 1970, Biometrika 57:1-17 (single change, maximum likelihood); efficient score with
    nuisance parameters, C. R. Rao 1948, Math. Proc. Camb. Philos. Soc. 44:50-57.
    """
    statistic = _score_statistic(null, null.series.observed, np.zeros_like(null.mean)).max() / null.dispersion
    drawn_statistics = _score_statistic(null, null.draws, null.shift).max(axis=1) / null.drawn_dispersion
    index, ratio = _first_month(null), null.series.observed / null.mean
    before, after = (np.average(ratio[part], weights=null.mean[part]) for part in (slice(index), slice(index, None)))
    change = float(after / before) if before > 0 else np.inf
    return ChangePoint(index, change, tail_probability(drawn_statistics, statistic))


def _score_statistic(null: NullModel, counts: FloatArray, shift: FloatArray) -> FloatArray:
    """Squared standardised score of a change after each month but the last; `shift` is the change in refitted log mean."""
    residual = (counts - null.mean) / (1 + null.tau2 * null.mean) - null.weight * shift
    score = np.cumsum(residual[..., ::-1], axis=-1)[..., ::-1][..., 1:]
    variance = null.score_variance
    return np.where(variance > 1e-9, score**2 / np.maximum(variance, 1e-9), 0.0)


def _first_month(null: NullModel) -> int:
    """The first month at the new level by maximum likelihood, with a season if BIC prefers it.

    Source: G. Schwarz 1978, Ann. Stat. 6:461-464.
    """
    without_season = _profile_log_likelihood(null, null.basis[:, :1])
    if null.basis.shape[1] == 1:
        return int(without_season.argmax()) + 1
    with_season = _profile_log_likelihood(null, null.basis)
    penalty = np.log(len(null.mean)) * (null.basis.shape[1] - 1) / 2
    seasonal = with_season.max() - without_season.max() > penalty
    return int((with_season if seasonal else without_season).argmax()) + 1


def _profile_log_likelihood(null: NullModel, basis: FloatArray) -> FloatArray:
    """Log likelihood of a change after each month but the last, maximised over the coefficients of `basis`.

    Poisson, or negative binomial if months vary more.
    """
    size, o, tau2 = len(null.mean), null.series.observed, null.tau2
    expected = null.series.expected * (o.sum() / null.series.expected.sum())
    after = np.tril(np.ones((size, size)), -1)[:, :-1].T[:, :, None]
    x = np.concatenate([np.broadcast_to(basis, (size - 1, *basis.shape)), after], axis=2)
    b = np.zeros((size - 1, x.shape[2]))

    def linear_predictor() -> FloatArray:
        return np.asarray(np.clip((x @ b[:, :, None])[:, :, 0], -MAX_LOG_RATIO, MAX_LOG_RATIO))

    for _ in range(SCORING_STEPS):
        mean = expected * np.exp(linear_predictor())
        score = (((o - mean) / (1 + tau2 * mean))[:, None, :] @ x)[:, 0]
        information = np.swapaxes(x, 1, 2) @ ((mean / (1 + tau2 * mean))[:, :, None] * x)
        b += np.clip((np.linalg.pinv(information, rcond=1e-10) @ score[:, :, None])[:, :, 0], -1, 1)
    log_mean = np.log(expected) + linear_predictor()
    if tau2 <= 0:
        return np.asarray((o * log_mean - np.exp(log_mean)).sum(axis=1))
    return np.asarray((o * log_mean - (o + 1 / tau2) * np.log1p(tau2 * np.exp(log_mean))).sum(axis=1))
