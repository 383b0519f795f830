"""Months in which nothing changes: what would be expected of each, and draws of what chance makes of that.

Counts vary about the expectation of the work, about a yearly season where the log is long enough to tell one, and from
month to month by more than chance. Every chart and test of months is held against draws from here, and finds in each draw
what it has to find in the log: level, season and spread are estimated anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Counts = NDArray[np.int64]
SEASON_FROM_MONTHS = 18
DRAWS = 999
ROUNDS = 25
LARGEST_LOG = 30.0
MIN_SPREAD = 0.1
MIN_CHANCE = 1e-6
"""Further out a tail is not followed."""


@dataclass(frozen=True)
class MonthlySeries:
    """One entry a month: its place in the calendar (any origin), comebacks, bleeds, and comebacks expected of the work."""

    month: Counts
    observed: FloatArray
    bleeds: FloatArray
    expected: FloatArray


@dataclass(frozen=True)
class Pooled:
    """How much months vary over several series together: in the log, and in each draw."""

    log: float
    draws: FloatArray


@dataclass(frozen=True)
class NullModel:
    """The fitted null of a series.

    `mean` is each month's expectation, `tau2` the variance of a month's own level (relative), `basis` the constant and the
    season's columns, `draws` counts drawn from it, one row a draw; `pooled` the spread of all series it is judged with.
    """

    series: MonthlySeries
    mean: FloatArray
    tau2: float
    basis: FloatArray
    draws: FloatArray
    pooled: Pooled | None = None

    @cached_property
    def weight(self) -> FloatArray:
        """Information of each month on its log level."""
        return np.asarray(self.mean / (1 + self.tau2 * self.mean))

    @property
    def season(self) -> FloatArray:
        """What the work gives in each month, with the season."""
        return np.asarray(self.mean * (self.series.expected.sum() / self.mean.sum()))

    @cached_property
    def _onto_basis(self) -> FloatArray:
        """From residuals over variance to coefficients of the basis."""
        return np.asarray(np.linalg.pinv((self.basis.T * self.weight) @ self.basis) @ self.basis.T)

    @cached_property
    def shift(self) -> FloatArray:
        """By how much each draw moves the log of every month's expectation when it is fitted anew."""
        score = (self.draws - self.mean) / (1 + self.tau2 * self.mean)
        return np.asarray(np.clip(score @ self._onto_basis.T @ self.basis.T, -1, 1))

    @cached_property
    def drawn_mean(self) -> FloatArray:
        """What would be expected of each month by each draw."""
        return np.asarray(self.mean * np.exp(self.shift))

    @cached_property
    def drawn_season(self) -> FloatArray:
        """What the work gives in each month of each draw, with the season found there."""
        score = (self.draws - self.mean) / (1 + self.tau2 * self.mean)
        level = np.clip(score @ self._onto_basis[0], -1, 1)
        return np.asarray(self.season * np.exp(self.shift - level[:, None]))

    @cached_property
    def own_spread(self) -> float:
        """By how much the log's months vary, over what the draws are drawn with."""
        return float(self._spread(self.series.observed, self.mean))

    @cached_property
    def own_drawn_spread(self) -> FloatArray:
        """By how much each draw varies from month to month, over what it was drawn with."""
        return self._spread(self.draws, self.drawn_mean)

    def _spread(self, counts: FloatArray, mean: FloatArray) -> FloatArray:
        return successive_difference_variance((counts - mean) / np.sqrt(mean * (1 + self.tau2 * mean)))

    @property
    def spread(self) -> float:
        """Of this series, or of all it is pooled with; chance alone at least."""
        own = self.own_spread if self.pooled is None else self.pooled.log
        return max(own, 1 / float(np.mean(1 + self.tau2 * self.mean)))

    @property
    def drawn_spread(self) -> FloatArray:
        """The same of each draw, where it may seem less than chance alone: so may the log's own spread be more than it
        seems."""
        return np.maximum(self.own_drawn_spread if self.pooled is None else self.pooled.draws, MIN_SPREAD)

    @cached_property
    def covariance_after(self) -> FloatArray:
        """Of the score of a change after each month but the last: its variance once level and season are fitted."""
        after = np.tril(np.ones((len(self.mean), len(self.mean))), -1)[:, :-1]
        weighted = after * self.weight[:, None]
        known = self.basis.T @ weighted
        return np.asarray((after * weighted).sum(axis=0) - (known * (self._onto_basis @ weighted)).sum(axis=0))


def fit_pooled_null_models(series: Sequence[MonthlySeries], rng: np.random.Generator) -> list[NullModel]:
    """Nulls of series whose months may be taken to vary alike: one spread for all, known the better the more there are."""
    if len(series) == 1:
        return [fit_null_model(series[0], rng)]
    means = [_fit(one, _basis(one.month, len(one.month)), 0.0) for one in series]
    weight = np.array([mean.mean() for mean in means])
    beyond = np.array([_beyond_chance(one, mean) for one, mean in zip(series, means, strict=True)])
    tau2 = max(0.0, float((weight * beyond).sum() / (weight**2).sum()))
    nulls = [fit_null_model(one, rng, tau2=tau2) for one in series]
    log = float(np.mean([null.own_spread for null in nulls]))
    pooled = Pooled(log, np.mean([null.own_drawn_spread for null in nulls], axis=0))
    return [replace(null, pooled=pooled) for null in nulls]


def fit_null_model(
    series: MonthlySeries,
    rng: np.random.Generator,
    draws: int = DRAWS,
    *,
    seasonal: bool = True,
    tau2: float | None = None,
) -> NullModel:
    """Fit level, season (from 18 months on) and the months' own spread by quasi-likelihood, and draw from the fit.

    The spread comes from successive differences, which a lasting change hardly moves (J. von Neumann 1941, Ann. Math.
    Stat. 12:367-395). Drawn months are negative binomial.

    Parameters
    ----------
    series
        Months with comebacks expected above 0.
    rng, draws
        For the draws.
    seasonal
        Whether a season is looked for at all.
    tau2
        The months' own spread, where it is known from more than these months.
    """
    basis = _basis(series.month if seasonal else series.month[:0], len(series.month))
    mean = _fit(series, basis, 0.0)
    tau2 = max(0.0, _beyond_chance(series, mean) / float(mean.mean())) if tau2 is None else tau2
    if tau2 > 0:
        mean = _fit(series, basis, tau2)
    level = np.ones((draws, len(mean)))
    if tau2 > 0:
        level = rng.gamma(1 / tau2, tau2, level.shape)
    return NullModel(series, mean, tau2, basis, rng.poisson(mean * level).astype(float))


def successive_difference_variance(z: FloatArray) -> FloatArray:
    """Variance from the differences of neighbours in the last axis."""
    return np.asarray((np.diff(z, axis=-1) ** 2).mean(axis=-1) / 2)


def upper_quantile(values: FloatArray, chance: float) -> float:
    """What draws of a statistic exceed with this chance; beyond the twentieth part of them along an exponential tail."""
    top, rest = np.quantile(values, 0.95), 0.05
    if chance >= rest:
        return float(np.quantile(values, 1 - chance))
    beyond = values[values > top] - top
    return float(top + np.log(rest / chance) * (beyond.mean() if len(beyond) else 0.0))


def tail_probability(values: FloatArray, found: float) -> float:
    """The chance that a draw of a statistic is as large as the one found, along the same tail."""
    at_least = (1 + (values >= found).sum()) / (len(values) + 1)
    top = float(np.quantile(values, 0.95))
    beyond = values[values > top] - top
    if found <= top or not len(beyond):
        return float(at_least)
    return float(np.clip(0.05 * np.exp(-(found - top) / max(float(beyond.mean()), 1e-12)), MIN_CHANCE, 0.05))


def _basis(month: Counts, size: int) -> FloatArray:
    constant = np.ones((size, 1))
    if len(month) < SEASON_FROM_MONTHS:
        return constant
    angle = 2 * np.pi * month / 12
    return np.column_stack([constant, np.cos(angle), np.sin(angle)])


def _fit(series: MonthlySeries, basis: FloatArray, tau2: float) -> FloatArray:
    """Each month's expectation at the most likely level and season, by Fisher scoring."""
    b = np.zeros(basis.shape[1])
    b[0] = np.log(max(series.observed.sum(), 0.5) / series.expected.sum())
    for _ in range(ROUNDS):
        mean = series.expected * np.exp(np.clip(basis @ b, -LARGEST_LOG, LARGEST_LOG))
        score = basis.T @ ((series.observed - mean) / (1 + tau2 * mean))
        step = np.linalg.pinv((basis.T * (mean / (1 + tau2 * mean))) @ basis) @ score
        b = b + np.clip(step, -1, 1)
        if np.abs(step).max() < 1e-9:
            break
    return np.asarray(series.expected * np.exp(np.clip(basis @ b, -LARGEST_LOG, LARGEST_LOG)))


def _beyond_chance(series: MonthlySeries, mean: FloatArray) -> float:
    """The variance of months in units of chance, less 1."""
    return float(successive_difference_variance((series.observed - mean) / np.sqrt(mean))) - 1
