"""Control charts of one monthly series: p-chart, risk-adjusted CUSUM, and the month in which the level changed.

The limits hold the probability of any false signal over the whole log at a stated level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.monitoring.null_model import (
    DRAWS,
    MIN_DISPERSION,
    MonthlySeries,
    NullModel,
    fit_null_model,
    tail_probability,
    upper_quantile,
)
from analysis.stats import FloatArray

SIGMAS = 3.0
D2 = 1.128
"""Mean moving range of two values over the standard deviation, to three decimals as printed in handbooks."""
WORSE, BETTER = 2.0, 0.5
PRIOR_COMEBACKS = 20.0
"""Weight, in comebacks, with which a group's early level is adjusted towards the expected one."""
EARLY_FRACTION, MIN_EARLY_MONTHS = 3, 3
"""The early level is that of the first third of the months, three at least."""
MIN_RISK, MAX_RISK = 1e-6, 0.95
MIN_MONTHS = 4
SCORING_STEPS, MAX_LOG_RATIO = 12, 20.0


@dataclass(frozen=True)
class ControlLimits:
    """Centre line, lower and upper limit of each month; `sigma_z` above 1 if limits were widened."""

    centre: FloatArray
    lower: FloatArray
    upper: FloatArray
    sigma_z: float


@dataclass(frozen=True)
class ControlCharts:
    """The p-chart's limits, the CUSUMs for an increase (`up`) and a decrease (`down`), and their control limits."""

    limits: ControlLimits
    up: FloatArray
    down: FloatArray
    up_limit: float
    down_limit: float


def control_charts(null: NullModel, alpha: float) -> ControlCharts:
    """Charts with limits that draws from the null model exceed, anywhere, with probability `alpha` at most.

    Half of alpha goes to the p-chart and a quarter to each CUSUM.
    """
    series = null.series
    centre = np.clip(null.mean / series.bleeds, MIN_RISK, MAX_RISK)
    drawn_z = z_scores(null.draws, series.bleeds, np.clip(null.drawn_mean / series.bleeds, MIN_RISK, MAX_RISK))
    largest_z = np.abs(drawn_z).max(axis=1) / np.maximum(moving_range_sigma(drawn_z), MIN_DISPERSION)
    limits = p_chart_limits(series.observed, series.bleeds, centre=centre, sigmas=upper_quantile(largest_z, alpha / 2))
    cusums, cusum_limits = [], []
    for odds_ratio in (WORSE, BETTER):
        cusums.append(_cusum(null, series.observed, null.expected, odds_ratio, np.array(null.dispersion)))
        drawn_cusums = _cusum(null, null.draws, null.drawn_expected, odds_ratio, null.drawn_dispersion)
        cusum_limits.append(upper_quantile(drawn_cusums.max(axis=1), alpha / 4))
    return ControlCharts(limits, cusums[0], cusums[1], cusum_limits[0], cusum_limits[1])


def p_chart_limits(
    counts: FloatArray,
    sizes: FloatArray,
    *,
    widen: bool = True,
    centre: FloatArray | float | None = None,
    sigmas: float = SIGMAS,
) -> ControlLimits:
    """p-chart for samples of different size, with Laney's correction for overdispersion.

    Sources: D. C. Montgomery, Introduction to Statistical Quality Control, section 7.2 (fraction
    nonconforming; section from memory); D. B. Laney 2002, Qual. Eng.
    14:531-537: sigma_z is the mean moving range of the z-scores over 1.128. Limits are only ever widened.

    Parameters
    ----------
    counts, sizes
        Counts and sample sizes (above 0), one per month.
    widen
        Whether to apply Laney's correction.
    centre
        Centre line, one value or one per month; the overall proportion unless given.
    sigmas
        Distance of the limits from the centre line in standard deviations.
    """
    p = np.broadcast_to(counts.sum() / sizes.sum() if centre is None else centre, np.shape(sizes)).astype(float)
    sd = np.sqrt(p * (1 - p) / sizes)
    sigma_z = float(moving_range_sigma(z_scores(counts, sizes, p))) if widen and len(p) >= 2 else 1.0
    half_width = sigmas * (max(sigma_z, 1.0) if widen else 1.0) * sd
    return ControlLimits(p, np.maximum(p - half_width, 0.0), np.minimum(p + half_width, 1.0), sigma_z)


def z_scores(counts: FloatArray, sizes: FloatArray, centre: FloatArray) -> FloatArray:
    """z-scores of proportions about the centre line, binomial standard deviation; months along the last axis."""
    sd = np.sqrt(centre * (1 - centre) / sizes)
    return np.asarray((counts / sizes - centre) / np.where(sd > 0, sd, 1.0))


def moving_range_sigma(z: FloatArray) -> FloatArray:
    """Standard deviation estimated from the mean moving range along the last axis."""
    return np.asarray(np.abs(np.diff(z, axis=-1)).mean(axis=-1) / D2)


def log_likelihood_ratios(
    risk: FloatArray, came_back: FloatArray, odds_ratio: float, bleeds: ArrayLike = 1.0
) -> FloatArray:
    """Log-likelihood ratio of odds multiplied by R against the expected odds: y log R − n log(1 − p + R p).

    Source: S. H. Steiner, R. J. Cook, V. T. Farewell & T. Treasure 2000, Biostatistics 1:441-452.

    Parameters
    ----------
    risk
        Expected risk p, in (0, 1).
    came_back
        Number of comebacks y, up to `bleeds`.
    odds_ratio
        R: 2 tests for doubled odds, 0.5 for halved odds.
    bleeds
        Number of bleeds n.
    """
    return np.asarray(came_back * np.log(odds_ratio) - np.asarray(bleeds) * np.log(1 - risk + odds_ratio * risk))


def cusum(increments: FloatArray) -> FloatArray:
    """CUSUM after each increment along the last axis: max(0, previous value + increment)."""
    total = np.cumsum(increments, axis=-1)
    return np.asarray(total - np.minimum(np.minimum.accumulate(total, axis=-1), 0.0))


def _cusum(
    null: NullModel, counts: FloatArray, expected: FloatArray, odds_ratio: float, dispersion: FloatArray
) -> FloatArray:
    """CUSUM of each row against its own early level, increments divided by the overdispersion of months."""
    early = max(counts.shape[-1] // EARLY_FRACTION, MIN_EARLY_MONTHS)
    early_counts, early_expected = (part[..., :early].sum(axis=-1, keepdims=True) for part in (counts, expected))
    level = (early_counts + PRIOR_COMEBACKS) / (early_expected + PRIOR_COMEBACKS)
    risk = np.clip(expected * level / null.series.bleeds, MIN_RISK, MAX_RISK)
    increments = log_likelihood_ratios(risk, counts, odds_ratio, null.series.bleeds)
    return cusum(increments / (1 + null.tau2 * null.mean) / dispersion[..., None])


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

    `observed` and `expected` are counts of each calendar month; the p-value is from `draws` draws.
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
    index, ratio = _first_month_at_new_level(null), null.series.observed / null.mean
    before, after = (np.average(ratio[part], weights=null.mean[part]) for part in (slice(index), slice(index, None)))
    change = float(after / before) if before > 0 else np.inf
    return ChangePoint(index, change, tail_probability(drawn_statistics, statistic))


def _score_statistic(null: NullModel, counts: FloatArray, shift: FloatArray) -> FloatArray:
    """Squared standardised score of a change after each month but the last; `shift` is the change in refitted log mean."""
    residual = (counts - null.mean) / (1 + null.tau2 * null.mean) - null.weight * shift
    score = np.cumsum(residual[..., ::-1], axis=-1)[..., ::-1][..., 1:]
    variance = null.score_variance
    return np.where(variance > 1e-9, score**2 / np.maximum(variance, 1e-9), 0.0)


def _first_month_at_new_level(null: NullModel) -> int:
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
