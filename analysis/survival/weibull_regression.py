"""Proportional hazards with a Weibull baseline: log cumulative hazard = x · coefficients + level + shape × log(days).

Source: W. Q. Meeker & L. A. Escobar 1998, Statistical Methods for Reliability Data, chapter 17.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Self

import numpy as np
from numpy.typing import NDArray

from analysis.stats import sum_within_clusters, weighted_gram
from analysis.survival.empirical_bayes_ridge import Block, symmetric_inverse
from analysis.survival.penalized_fit import Evaluation, maximise
from analysis.survival.survival_model import df_correction, require_usable

FloatArray = NDArray[np.float64]
Days = NDArray[np.int64]
MIN_DAYS = 0.5
"""A return on day 0 counts as half a day."""


@dataclass(frozen=True)
class WeibullModel:
    """A fitted Weibull regression; see `SurvivalModel` for what it is asked.

    `level` is the baseline's log cumulative hazard at day 1, `shape` its power of days; `scores` each cluster's score of the
    p coefficients, the level and the log shape; `full_covariance` the covariance of all of these.
    """

    coefficients: FloatArray
    level: float
    shape: float
    penalties: FloatArray
    edf: float
    log_likelihood: float
    events: float
    full_covariance: FloatArray = field(repr=False)
    scores: FloatArray = field(repr=False)

    @classmethod
    def fit(
        cls,
        x: FloatArray,
        time: Days,
        event: NDArray[np.bool_],
        *,
        blocks: Sequence[Block] = (),
        clusters: Days | None = None,
        start: FloatArray | None = None,
        entry: Days | None = None,
        offset: FloatArray | None = None,
    ) -> Self:
        """Fit the model; see `SurvivalModel.fit`."""
        require_usable(x, event)
        columns = x.shape[1]
        likelihood = WeibullLikelihood.of(x, time, event, entry, offset)
        first = np.zeros(columns) if start is None else start
        days = np.exp(likelihood.log_time).sum() - np.exp(likelihood.log_entry).sum()
        found = maximise(likelihood, blocks, np.concatenate([first, [np.log(event.sum() / days), 0.0]]))
        whole = symmetric_inverse(found.information + np.diag(found.penalties))
        own = np.arange(len(x)) if clusters is None else clusters
        return cls(
            coefficients=found.coefficients[:columns],
            level=float(found.coefficients[-2]),
            shape=float(np.exp(found.coefficients[-1])),
            penalties=found.penalties[:columns],
            edf=columns - float((found.penalties * np.diag(whole)).sum()),
            log_likelihood=found.at.log_likelihood,
            events=float(event.sum()),
            whole=whole,
            scores=sum_within_clusters(likelihood.scores(found.coefficients), own),
        )

    @property
    def covariance(self) -> FloatArray:
        columns = len(self.coefficients)
        return self.full_covariance[:columns, :columns]

    @property
    def df_correction(self) -> float:
        return df_correction(self.events, self.edf)

    def linear_predictor(self, x: FloatArray) -> FloatArray:
        return x @ self.coefficients

    def cumulative_hazard(self, days: Days | int, x: FloatArray | None = None) -> FloatArray:
        baseline = np.exp(self.level) * np.maximum(days, MIN_DAYS) ** self.shape
        return np.asarray(baseline if x is None else baseline * np.exp(self.linear_predictor(x)))

    def influence(self, contrasts: FloatArray) -> FloatArray:
        return self.scores @ self.full_covariance[:, : len(self.coefficients)] @ contrasts

    def baseline_influence(self, day: int) -> FloatArray:
        log_day = float(np.log(max(day, MIN_DAYS)))
        return self.scores @ (self.full_covariance[:, -2] + self.shape * log_day * self.full_covariance[:, -1])


@dataclass(frozen=True)
class WeibullEvaluation(Evaluation):
    """Also each row's derivatives, up to the covariates: of the level, of the log shape, and their curvatures."""

    by_level: FloatArray
    by_shape: FloatArray
    hazard: FloatArray
    across: FloatArray
    shape_twice: float


@dataclass(frozen=True)
class WeibullLikelihood:
    """The log likelihood of n rows in p coefficients, the level and the log shape."""

    x: FloatArray
    event: NDArray[np.bool_]
    log_time: FloatArray
    log_entry: FloatArray
    offset: FloatArray

    @classmethod
    def of(
        cls, x: FloatArray, time: Days, event: NDArray[np.bool_], entry: Days | None, offset: FloatArray | None
    ) -> WeibullLikelihood:
        since = np.full(len(x), -1) if entry is None else entry
        with np.errstate(divide="ignore"):
            log_entry = np.log(np.maximum(since, 0).astype(float))
        none = np.zeros(len(x)) if offset is None else offset
        return cls(x, event, np.log(np.maximum(time, MIN_DAYS).astype(float)), log_entry, none)

    def at(self, b: FloatArray) -> WeibullEvaluation:
        shape = np.exp(b[-1])
        linear = self.x @ b[:-2] + self.offset + b[-2]
        until, since = (np.exp(linear + shape * log_days) for log_days in (self.log_time, self.log_entry))
        known = np.where(np.isfinite(self.log_entry), self.log_entry, 0.0)
        across = shape * (until * self.log_time - since * known)
        curved = shape**2 * (until * self.log_time**2 - since * known**2)
        log_hazard = linear + b[-1] + (shape - 1) * self.log_time
        by_level = self.event - (until - since)
        by_shape = self.event * (1 + shape * self.log_time) - across
        score = np.concatenate([self.x.T @ by_level, [by_level.sum(), by_shape.sum()]])
        log_likelihood = float(log_hazard[self.event].sum() - (until - since).sum())
        twice = float((across + curved - shape * self.event * self.log_time).sum())
        return WeibullEvaluation(log_likelihood, score, by_level, by_shape, until - since, across, twice)

    def scores(self, b: FloatArray) -> FloatArray:
        """Each row's score, n × (p + 2)."""
        at = self.at(b)
        return np.column_stack([self.x * at.by_level[:, None], at.by_level, at.by_shape])

    def information(self, at: WeibullEvaluation) -> FloatArray:
        size = self.x.shape[1]
        found = np.empty((size + 2, size + 2))
        found[:size, :size] = weighted_gram(self.x, at.hazard)
        found[:size, size] = found[size, :size] = self.x.T @ at.hazard
        found[:size, size + 1] = found[size + 1, :size] = self.x.T @ at.across
        found[size, size], found[size + 1, size + 1] = at.hazard.sum(), at.shape_twice
        found[size, size + 1] = found[size + 1, size] = at.across.sum()
        return found
