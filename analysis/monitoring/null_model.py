"""The null model of a monthly series, in which the level does not change, and simulated draws from it.

Counts vary about the expectation for the case mix, about a yearly season where the log is long enough to estimate one,
and from month to month more than Poisson counts do. Limits and p-values come from draws; each draw goes through the same
estimation of level, season and dispersion as the log.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analysis.stats import FloatArray

IntArray = NDArray[np.int64]
MIN_SEASONAL_MONTHS = 18
DRAWS = 999
SCORING_STEPS = 25
MAX_LOG_MEAN = 30.0
MIN_DISPERSION = 0.1
MIN_P = 1e-6
"""Smallest tail probability extrapolated from the draws."""
TAIL = 0.05
"""Share of the draws to which an exponential tail is fitted."""


@dataclass(frozen=True)
class MonthlySeries:
    """One entry per month: its number in the calendar, observed comebacks, bleeds, and expected comebacks."""

    month: IntArray
    observed: FloatArray
    bleeds: FloatArray
    expected: FloatArray


@dataclass(frozen=True)
class PooledDispersion:
    """Mean dispersion of several series, in the log and in each draw."""

    log: float
    draws: FloatArray


@dataclass(frozen=True)
class NullModel:
    """The fitted null model of a series.

    `mean` is the expected count of each month, `tau2` the relative variance between months, `basis` the constant and the
    season's columns, `draws` simulated counts (draws × months), `pooled` the dispersion of all series it is pooled with.
    """

    series: MonthlySeries
    mean: FloatArray
    tau2: float
    basis: FloatArray
    draws: FloatArray
    pooled: PooledDispersion | None = None

    @cached_property
    def weight(self) -> FloatArray:
        """Information of each month about its log mean."""
        return np.asarray(self.mean / (1 + self.tau2 * self.mean))

    @property
    def expected(self) -> FloatArray:
        """Comebacks expected for the case mix and the season, scaled to the series' total expectation."""
        return np.asarray(self.mean * (self.series.expected.sum() / self.mean.sum()))

    @cached_property
    def _projection(self) -> FloatArray:
        """Maps score residuals to coefficients of the basis."""
        return np.asarray(np.linalg.pinv((self.basis.T * self.weight) @ self.basis) @ self.basis.T)

    @cached_property
    def _drawn_score_residuals(self) -> FloatArray:
        """Score residual of each drawn month: draws × months."""
        return np.asarray((self.draws - self.mean) / (1 + self.tau2 * self.mean))

    @cached_property
    def shift(self) -> FloatArray:
        """Change in the log mean of every month when the model is refitted to each draw (one scoring step)."""
        return np.asarray(np.clip(self._drawn_score_residuals @ self._projection.T @ self.basis.T, -1, 1))

    @cached_property
    def drawn_mean(self) -> FloatArray:
        """`mean` refitted to each draw."""
        return np.asarray(self.mean * np.exp(self.shift))

    @cached_property
    def drawn_expected(self) -> FloatArray:
        """`expected` with the season refitted to each draw."""
        level = np.clip(self._drawn_score_residuals @ self._projection[0], -1, 1)
        return np.asarray(self.expected * np.exp(self.shift - level[:, None]))

    @cached_property
    def own_dispersion(self) -> float:
        """Dispersion of the log's months, relative to the variance of the draws."""
        return float(self._relative_dispersion(self.series.observed, self.mean))

    @cached_property
    def own_drawn_dispersion(self) -> FloatArray:
        """Dispersion of each draw's months, relative to the variance of the draws."""
        return self._relative_dispersion(self.draws, self.drawn_mean)

    def _relative_dispersion(self, counts: FloatArray, mean: FloatArray) -> FloatArray:
        return successive_difference_variance((counts - mean) / np.sqrt(mean * (1 + self.tau2 * mean)))

    @property
    def dispersion(self) -> float:
        """Dispersion of this series, or of all it is pooled with; that of Poisson counts at least."""
        dispersion = self.own_dispersion if self.pooled is None else self.pooled.log
        return max(dispersion, 1 / float(np.mean(1 + self.tau2 * self.mean)))

    @property
    def drawn_dispersion(self) -> FloatArray:
        """The same for each draw, without the Poisson minimum: an estimate may come out too small in the log too."""
        return np.maximum(self.own_drawn_dispersion if self.pooled is None else self.pooled.draws, MIN_DISPERSION)

    @cached_property
    def score_variance(self) -> FloatArray:
        """Variance of the score of a change after each month but the last, with level and season estimated."""
        after = np.tril(np.ones((len(self.mean), len(self.mean))), -1)[:, :-1]
        weighted = after * self.weight[:, None]
        with_basis = self.basis.T @ weighted
        return np.asarray((after * weighted).sum(axis=0) - (with_basis * (self._projection @ weighted)).sum(axis=0))


def fit_null_models_with_shared_variance(series: Sequence[MonthlySeries], rng: np.random.Generator) -> list[NullModel]:
    """Fit null models with one variance between months for all series, which estimates it more precisely."""
    if len(series) == 1:
        return [fit_null_model(series[0], rng)]
    means = [_fit_mean(one, _seasonal_basis(one.month, len(one.month)), 0.0) for one in series]
    weight = np.array([mean.mean() for mean in means])
    excess = np.array([_excess_variance(one, mean) for one, mean in zip(series, means, strict=True)])
    tau2 = max(0.0, float((weight * excess).sum() / (weight**2).sum()))
    models = [fit_null_model(one, rng, tau2=tau2) for one in series]
    log = float(np.mean([model.own_dispersion for model in models]))
    pooled = PooledDispersion(log, np.mean([model.own_drawn_dispersion for model in models], axis=0))
    return [replace(model, pooled=pooled) for model in models]


def fit_null_model(
    series: MonthlySeries,
    rng: np.random.Generator,
    draws: int = DRAWS,
    *,
    seasonal: bool = True,
    tau2: float | None = None,
) -> NullModel:
    """Fit level, season (from 18 months on) and variance between months by quasi-likelihood, and draw from the fit.

    The variance between months is estimated from successive differences, which a lasting change hardly affects (J. von
    Neumann 1941, Ann. Math. Stat. 12:367-395). Draws are negative binomial. Months of `series` have expected comebacks
    above 0; `tau2` is the variance between months, if already estimated from several series.
    """
    basis = _seasonal_basis(series.month if seasonal else series.month[:0], len(series.month))
    mean = _fit_mean(series, basis, 0.0)
    tau2 = max(0.0, _excess_variance(series, mean) / float(mean.mean())) if tau2 is None else tau2
    if tau2 > 0:
        mean = _fit_mean(series, basis, tau2)
    level = np.ones((draws, len(mean)))
    if tau2 > 0:
        level = rng.gamma(1 / tau2, tau2, level.shape)
    return NullModel(series, mean, tau2, basis, rng.poisson(mean * level).astype(float))


def variance_between_months(observed: FloatArray, expected: FloatArray) -> float:
    """Variance of the months' log rates beyond that of Poisson counts, as in `fit_null_model` without a season; 0 with
    fewer than two months with expected comebacks above 0.
    """
    months = np.flatnonzero(expected > 0)
    if len(months) < 2 or not observed.any():
        return 0.0
    mean = expected[months] * (observed[months].sum() / expected[months].sum())
    excess = float(successive_difference_variance((observed[months] - mean) / np.sqrt(mean))) - 1
    return max(0.0, excess / float(mean.mean()))


def successive_difference_variance(z: FloatArray) -> FloatArray:
    """Variance estimated from the differences of neighbours along the last axis."""
    return np.asarray((np.diff(z, axis=-1) ** 2).mean(axis=-1) / 2)


def upper_quantile(draws: FloatArray, probability: float) -> float:
    """The value that draws of a statistic exceed with this probability, by an exponential tail in the top 5%."""
    threshold = np.quantile(draws, 1 - TAIL)
    if probability >= TAIL:
        return float(np.quantile(draws, 1 - probability))
    excess = draws[draws > threshold] - threshold
    return float(threshold + np.log(TAIL / probability) * (excess.mean() if len(excess) else 0.0))


def tail_probability(draws: FloatArray, statistic: float) -> float:
    """Monte Carlo p-value of a statistic, by the same exponential tail beyond the top 5% of the draws."""
    threshold = float(np.quantile(draws, 1 - TAIL))
    excess = draws[draws > threshold] - threshold
    if statistic <= threshold or not len(excess):
        return float((1 + (draws >= statistic).sum()) / (len(draws) + 1))
    tail = TAIL * np.exp(-(statistic - threshold) / max(float(excess.mean()), 1e-12))
    return float(np.clip(tail, MIN_P, TAIL))


def _seasonal_basis(month: IntArray, size: int) -> FloatArray:
    """A constant and, from 18 months on, one yearly sine wave."""
    constant = np.ones((size, 1))
    if len(month) < MIN_SEASONAL_MONTHS:
        return constant
    angle = 2 * np.pi * month / 12
    return np.column_stack([constant, np.cos(angle), np.sin(angle)])


def _fit_mean(series: MonthlySeries, basis: FloatArray, tau2: float) -> FloatArray:
    """Expected count of each month by Fisher scoring in the coefficients of the basis."""
    b = np.zeros(basis.shape[1])
    b[0] = np.log(max(series.observed.sum(), 0.5) / series.expected.sum())
    for _ in range(SCORING_STEPS):
        mean = series.expected * np.exp(np.clip(basis @ b, -MAX_LOG_MEAN, MAX_LOG_MEAN))
        score = basis.T @ ((series.observed - mean) / (1 + tau2 * mean))
        step = np.linalg.pinv((basis.T * (mean / (1 + tau2 * mean))) @ basis) @ score
        b = b + np.clip(step, -1, 1)
        if np.abs(step).max() < 1e-9:
            break
    return np.asarray(series.expected * np.exp(np.clip(basis @ b, -MAX_LOG_MEAN, MAX_LOG_MEAN)))


def _excess_variance(series: MonthlySeries, mean: FloatArray) -> float:
    """Variance of the months' Pearson residuals in excess of 1."""
    return float(successive_difference_variance((series.observed - mean) / np.sqrt(mean))) - 1
