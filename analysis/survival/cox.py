"""Proportional hazards with a free baseline: Cox's partial likelihood (Breslow ties) on whole days, with ridges.

Source: D. R. Cox 1972, J. R. Stat. Soc. B 34:187-220; N. Breslow 1974, Biometrics 30:89-99.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

from analysis.stats import sum_within_clusters, weighted_gram
from analysis.survival.empirical_bayes_ridge import Block, symmetric_inverse
from analysis.survival.penalized_fit import Evaluation, maximise
from analysis.survival.risk_sets import SurvivalData, survival_data
from analysis.survival.survival_model import df_correction, require_usable

FloatArray = NDArray[np.float64]
Days = NDArray[np.int64]


@dataclass(frozen=True)
class CoxModel:
    """A fitted Cox model; see `SurvivalModel` for what it is asked.

    `jumps` are the baseline hazard's on the distinct days of `data`, `sum_at_risk` the sum of relative hazards at risk there,
    `fitted` each row's linear predictor with its offset, `edf` the effective number of columns; `log_likelihood` is
    unpenalised.
    """

    coefficients: FloatArray
    covariance: FloatArray
    penalties: FloatArray
    edf: float
    log_likelihood: float
    jumps: FloatArray = field(repr=False)
    at_risk: FloatArray = field(repr=False)
    fitted: FloatArray = field(repr=False)
    data: SurvivalData = field(repr=False)
    x: FloatArray = field(repr=False)
    clusters: Days = field(repr=False)

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
        data = survival_data(time, event, entry)
        likelihood = PartialLikelihood(x, data, np.zeros(len(x)) if offset is None else offset)
        found = maximise(likelihood, blocks, np.zeros(x.shape[1]) if start is None else start)
        covariance = symmetric_inverse(found.information + np.diag(found.penalties))
        return cls(
            coefficients=found.coefficients,
            covariance=covariance,
            penalties=found.penalties,
            edf=x.shape[1] - float((found.penalties * np.diag(covariance)).sum()),
            log_likelihood=found.at.log_likelihood,
            jumps=data.events / found.at.at_risk,
            at_risk=found.at.at_risk,
            fitted=found.at.linear,
            data=data,
            x=x,
            clusters=np.arange(len(x)) if clusters is None else clusters,
        )

    @property
    def df_correction(self) -> float:
        return df_correction(float(self.data.events.sum()), self.edf)

    def linear_predictor(self, x: FloatArray) -> FloatArray:
        return x @ self.coefficients

    def cumulative_hazard(self, days: Days | int, x: FloatArray | None = None) -> FloatArray:
        baseline = step_function(days, self.jumps, self.data.days)
        return baseline if x is None else baseline * np.exp(self.linear_predictor(x))

    def influence(self, contrasts: FloatArray) -> FloatArray:
        """The covariance times each row's score residual e (x − x̄(T)) − w (x H(T) − A(T)), A the cumulative sum of x̄ dH.

        Source: D. Y. Lin & L. J. Wei 1989, J. Am. Stat. Assoc. 84:1074-1078.
        """
        data, directions = self.data, self.covariance @ contrasts
        relative = np.exp(self.fitted)
        means = self._means @ directions
        rows = self.x @ directions
        rows *= (data.event - relative * data.sum_while_at_risk(self.jumps))[:, None]
        rows += relative[:, None] * data.sum_while_at_risk(means * self.jumps[:, None])
        back = np.flatnonzero(data.event)
        rows[back] -= means[data.day_index[back]]
        return sum_within_clusters(rows, self.clusters)

    def baseline_influence(self, day: int) -> FloatArray:
        data = self.data
        within = data.days <= day
        total = max(float((self.jumps * within).sum()), 1e-12)
        through_coefficients = self.influence((self._means * (self.jumps * within)[:, None]).sum(axis=0)[:, None])
        variance = np.where(within, data.events / self.at_risk**2, 0.0)
        event = data.event & (data.time <= day)
        direct = np.where(event, 1 / self.at_risk[data.day_index], 0.0)
        direct -= np.exp(self.fitted) * data.sum_while_at_risk(variance)
        return (sum_within_clusters(direct, self.clusters) - through_coefficients[:, 0]) / total

    @cached_property
    def _means(self) -> FloatArray:
        """Mean covariates of those at risk on each day."""
        return self.data.sum_at_risk(self.x, np.exp(self.fitted)) / self.at_risk[:, None]


def breslow(linear: FloatArray, time: Days, event: NDArray[np.bool_], days: Days) -> FloatArray:
    """Breslow's baseline cumulative hazard up to and with each of `days`, where linear predictors are known.

    Parameters
    ----------
    linear
        Each row's linear predictor.
    time, event
        Whole days at risk, and whether each ended in the event.
    days
        Whole days, 0 or more.
    """
    data = survival_data(time, event)
    return step_function(days, data.events / data.sum_at_risk(np.exp(linear)), data.days)


def step_function(days: Days | int, jumps: FloatArray, at: Days) -> FloatArray:
    """The sum of the jumps on days no later than each of `days`."""
    total = np.concatenate([[0.0], np.cumsum(jumps)])
    return total[np.searchsorted(at, days, side="right")]


@dataclass(frozen=True)
class PartialEvaluation(Evaluation):
    """Also each row's linear predictor and the sum of relative hazards at risk on each day."""

    linear: FloatArray
    at_risk: FloatArray


@dataclass(frozen=True)
class PartialLikelihood:
    """Cox's partial likelihood of n rows."""

    x: FloatArray
    data: SurvivalData
    offset: FloatArray

    def at(self, b: FloatArray) -> PartialEvaluation:
        data, linear = self.data, self.x @ b + self.offset
        relative = np.exp(linear)
        at_risk = data.sum_at_risk(relative)
        score = self.x.T @ (data.event - relative * data.sum_while_at_risk(data.events / at_risk))
        log_likelihood = float(linear[data.event].sum() - data.events @ np.log(at_risk))
        return PartialEvaluation(log_likelihood, score, linear, at_risk)

    def information(self, at: PartialEvaluation) -> FloatArray:
        """Σ w H x x' − Σ x̄ x̄' dN."""
        data, relative = self.data, np.exp(at.linear)
        exposed = weighted_gram(self.x, relative * data.sum_while_at_risk(data.events / at.at_risk))
        means = data.sum_at_risk(self.x, relative) / at.at_risk[:, None]
        return exposed - (means * data.events[:, None]).T @ means
