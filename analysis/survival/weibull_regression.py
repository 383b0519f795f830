"""Weibull proportional hazards model with ridge penalties.

Log cumulative hazard = x · coefficients + level + shape × log(days).

Source: W. Q. Meeker & L. A. Escobar 1998, Statistical Methods for Reliability Data, chapter 17.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Self

import numpy as np
from numpy.typing import NDArray

from analysis.stats import sum_within_clusters, symmetric_inverse, weighted_gram
from analysis.survival.empirical_bayes_ridge import Block, Evaluation, maximise, require_usable, standard_error_factor

FloatArray = NDArray[np.float64]
Days = NDArray[np.int64]
MIN_DAYS = 0.5
"""A return on day 0 counts as half a day."""


@dataclass(frozen=True)
class WeibullModel:
    """A fitted Weibull regression; its methods are described in `SurvivalModel`.

    `level` is the log of the baseline cumulative hazard at day 1, `shape` its power of days; `scores` are each cluster's
    score in the p coefficients, the level and the log shape, `full_covariance` the covariance of all of these.
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
        likelihood = WeibullLikelihood.build(x, time, event, entry, offset)
        first = np.zeros(columns) if start is None else start
        days = np.exp(likelihood.log_time).sum() - np.exp(likelihood.log_entry).sum()
        fit = maximise(likelihood, blocks, np.concatenate([first, [np.log(event.sum() / days), 0.0]]))
        full_covariance = symmetric_inverse(fit.information + np.diag(fit.penalties))
        clusters = np.arange(len(x)) if clusters is None else clusters
        return cls(
            coefficients=fit.coefficients[:columns],
            level=float(fit.coefficients[-2]),
            shape=float(np.exp(fit.coefficients[-1])),
            penalties=fit.penalties[:columns],
            edf=columns - float((fit.penalties * np.diag(full_covariance)).sum()),
            log_likelihood=fit.at.log_likelihood,
            events=float(event.sum()),
            full_covariance=full_covariance,
            scores=sum_within_clusters(likelihood.scores(fit.coefficients), clusters),
        )

    @property
    def covariance(self) -> FloatArray:
        columns = len(self.coefficients)
        return self.full_covariance[:columns, :columns]

    @property
    def standard_error_factor(self) -> float:
        return standard_error_factor(self.events, self.edf)

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
    """Adds each row's score in the level and the log shape, and what the information needs.

    `hazard` is the cumulative hazard over the time at risk, `hazard_by_log_shape` its derivative in the log shape,
    `shape_information` minus the second derivative of the log likelihood in the log shape.
    """

    score_level: FloatArray
    score_log_shape: FloatArray
    hazard: FloatArray
    hazard_by_log_shape: FloatArray
    shape_information: float


@dataclass(frozen=True)
class WeibullLikelihood:
    """The log likelihood of n rows in p coefficients, the level and the log shape."""

    x: FloatArray
    event: NDArray[np.bool_]
    log_time: FloatArray
    log_entry: FloatArray
    offset: FloatArray

    @classmethod
    def build(
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
        finite_entry = np.where(np.isfinite(self.log_entry), self.log_entry, 0.0)
        hazard_by_log_shape = shape * (until * self.log_time - since * finite_entry)
        curved = shape**2 * (until * self.log_time**2 - since * finite_entry**2)
        log_hazard = linear + b[-1] + (shape - 1) * self.log_time
        score_level = self.event - (until - since)
        score_log_shape = self.event * (1 + shape * self.log_time) - hazard_by_log_shape
        score = np.concatenate([self.x.T @ score_level, [score_level.sum(), score_log_shape.sum()]])
        log_likelihood = float(log_hazard[self.event].sum() - (until - since).sum())
        twice = float((hazard_by_log_shape + curved - shape * self.event * self.log_time).sum())
        return WeibullEvaluation(
            log_likelihood, score, score_level, score_log_shape, until - since, hazard_by_log_shape, twice
        )

    def scores(self, b: FloatArray) -> FloatArray:
        """Score of each row, n × (p + 2)."""
        at = self.at(b)
        return np.column_stack([self.x * at.score_level[:, None], at.score_level, at.score_log_shape])

    def information(self, at: WeibullEvaluation) -> FloatArray:
        size = self.x.shape[1]
        matrix = np.empty((size + 2, size + 2))
        matrix[:size, :size] = weighted_gram(self.x, at.hazard)
        matrix[:size, size] = matrix[size, :size] = self.x.T @ at.hazard
        matrix[:size, size + 1] = matrix[size + 1, :size] = self.x.T @ at.hazard_by_log_shape
        matrix[size, size], matrix[size + 1, size + 1] = at.hazard.sum(), at.shape_information
        matrix[size, size + 1] = matrix[size + 1, size] = at.hazard_by_log_shape.sum()
        return matrix
