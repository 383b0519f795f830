"""Cox proportional hazards model with ridge penalties: partial likelihood on whole days, Breslow ties, score tests.

Sources: D. R. Cox 1972, J. R. Stat. Soc. B 34:187-220; N. Breslow 1974, Biometrics 30:89-99.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

from analysis.stats import sum_within_clusters, symmetric_inverse, weighted_gram
from analysis.survival.empirical_bayes_ridge import Block, Evaluation, maximise, require_usable, standard_error_factor
from analysis.survival.survival_model import SurvivalModel

FloatArray = NDArray[np.float64]
Days = NDArray[np.int64]


@dataclass(frozen=True)
class SurvivalData:
    """Times at risk in whole days, whether each ended in the event, and the risk sets.

    `days` are the distinct times, ascending, and `events` the number of events on each; `day_index` is the index of each
    row's own time among them, `entry_index` that of the first day on which the row is at risk.
    """

    time: Days
    event: NDArray[np.bool_]
    days: Days = field(repr=False)
    day_index: Days = field(repr=False)
    entry_index: Days = field(repr=False)
    events: FloatArray = field(repr=False)

    def sum_at_risk(self, values: FloatArray, weight: FloatArray | None = None) -> FloatArray:
        """Sum weighted values (n, or n × k) over the rows at risk on each day: days, or days × k."""
        size = len(self.days)
        leaving = sum_within_clusters(values, self.day_index, weight, size)
        total = np.cumsum(leaving[::-1], axis=0)[::-1]
        late = np.flatnonzero(self.entry_index)
        if not len(late):
            return total
        own = None if weight is None else weight[late]
        entering = sum_within_clusters(values[late], self.entry_index[late], own, size + 1)
        return np.asarray(total - np.cumsum(entering[:0:-1], axis=0)[::-1])

    def sum_while_at_risk(self, jumps: FloatArray) -> FloatArray:
        """Sum jumps (one per day, or days × k) over the days on which each row is at risk: n, or n × k."""
        total = np.concatenate([np.zeros((1, *jumps.shape[1:])), np.cumsum(jumps, axis=0)])
        sums = total[self.day_index + 1]
        if self.entry_index.any():
            sums -= total[self.entry_index]
        return np.asarray(sums)


def survival_data(time: Days, event: NDArray[np.bool_], entry: Days | None = None) -> SurvivalData:
    """Sort out the risk sets.

    Parameters
    ----------
    time, event
        Time at risk in whole days, and whether it ended in the event.
    entry
        Day after which each row is at risk (late entry); at risk from day 0 unless given, and where it is below 0.
    """
    days, day_index = np.unique(time, return_inverse=True)
    no_entry = np.zeros(len(time), dtype=np.int64)
    entry_index = no_entry if entry is None else np.searchsorted(days, entry, side="right").astype(np.int64)
    events = np.bincount(day_index[event], minlength=len(days)).astype(float)
    return SurvivalData(time, event, days.astype(np.int64), day_index.astype(np.int64), entry_index, events)


@dataclass(frozen=True)
class CoxModel:
    """A fitted Cox model; its methods are described in `SurvivalModel`.

    `jumps` are the Breslow jumps of the baseline cumulative hazard on the distinct days of `data`, `risk_set_sum` the
    sum of relative hazards at risk on them (S0), `fitted` each row's linear predictor with offset, `edf` the effective
    number of columns; `log_likelihood` is the unpenalised log partial likelihood.
    """

    coefficients: FloatArray
    covariance: FloatArray
    penalties: FloatArray
    edf: float
    log_likelihood: float
    jumps: FloatArray = field(repr=False)
    risk_set_sum: FloatArray = field(repr=False)
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
        fit = maximise(likelihood, blocks, np.zeros(x.shape[1]) if start is None else start)
        covariance = symmetric_inverse(fit.information + np.diag(fit.penalties))
        return cls(
            coefficients=fit.coefficients,
            covariance=covariance,
            penalties=fit.penalties,
            edf=x.shape[1] - float((fit.penalties * np.diag(covariance)).sum()),
            log_likelihood=fit.at.log_likelihood,
            jumps=data.events / fit.at.risk_set_sum,
            risk_set_sum=fit.at.risk_set_sum,
            fitted=fit.at.linear,
            data=data,
            x=x,
            clusters=np.arange(len(x)) if clusters is None else clusters,
        )

    @property
    def standard_error_factor(self) -> float:
        return standard_error_factor(float(self.data.events.sum()), self.edf)

    def linear_predictor(self, x: FloatArray) -> FloatArray:
        return x @ self.coefficients

    def cumulative_hazard(self, days: Days | int, x: FloatArray | None = None) -> FloatArray:
        baseline = step_function(days, self.jumps, self.data.days)
        return baseline if x is None else baseline * np.exp(self.linear_predictor(x))

    def influence(self, contrasts: FloatArray) -> FloatArray:
        """Covariance times score residuals e (x − x̄(T)) − w (x H(T) − A(T)), A the cumulative sum of x̄ dH, by cluster.

        Source: D. Y. Lin & L. J. Wei 1989, J. Am. Stat. Assoc. 84:1074-1078.
        """
        data, directions = self.data, self.covariance @ contrasts
        relative = np.exp(self.fitted)
        means = self._risk_set_means @ directions
        rows = self.x @ directions
        rows *= (data.event - relative * data.sum_while_at_risk(self.jumps))[:, None]
        rows += relative[:, None] * data.sum_while_at_risk(means * self.jumps[:, None])
        events = np.flatnonzero(data.event)
        rows[events] -= means[data.day_index[events]]
        return sum_within_clusters(rows, self.clusters)

    def baseline_influence(self, day: int) -> FloatArray:
        data = self.data
        within = data.days <= day
        total = max(float((self.jumps * within).sum()), 1e-12)
        through_coefficients = self.influence(
            (self._risk_set_means * (self.jumps * within)[:, None]).sum(axis=0)[:, None]
        )
        variance = np.where(within, data.events / self.risk_set_sum**2, 0.0)
        event = data.event & (data.time <= day)
        direct = np.where(event, 1 / self.risk_set_sum[data.day_index], 0.0)
        direct -= np.exp(self.fitted) * data.sum_while_at_risk(variance)
        return (sum_within_clusters(direct, self.clusters) - through_coefficients[:, 0]) / total

    @cached_property
    def _risk_set_means(self) -> FloatArray:
        """Mean covariates of the risk set on each day (S1 / S0)."""
        return self.data.sum_at_risk(self.x, np.exp(self.fitted)) / self.risk_set_sum[:, None]


def breslow(linear: FloatArray, time: Days, event: NDArray[np.bool_], days: Days) -> FloatArray:
    """Breslow estimate of the baseline cumulative hazard up to and including each of `days`, given linear predictors.

    Parameters
    ----------
    linear
        Each row's linear predictor.
    time, event
        Time at risk in whole days, and whether it ended in the event.
    days
        Whole days, 0 or more.
    """
    data = survival_data(time, event)
    return step_function(days, data.events / data.sum_at_risk(np.exp(linear)), data.days)


def step_function(days: Days | int, jumps: FloatArray, at: Days) -> FloatArray:
    """Sum of the jumps (on the days `at`, ascending) up to and including each of `days`."""
    total = np.concatenate([[0.0], np.cumsum(jumps)])
    return total[np.searchsorted(at, days, side="right")]


@dataclass(frozen=True)
class PartialEvaluation(Evaluation):
    """Adds each row's linear predictor, and the sum of relative hazards at risk on each day (S0)."""

    linear: FloatArray
    risk_set_sum: FloatArray


@dataclass(frozen=True)
class PartialLikelihood:
    """Cox's log partial likelihood of n rows."""

    x: FloatArray
    data: SurvivalData
    offset: FloatArray

    def at(self, b: FloatArray) -> PartialEvaluation:
        data, linear = self.data, self.x @ b + self.offset
        relative = np.exp(linear)
        risk_set_sum = data.sum_at_risk(relative)
        score = self.x.T @ (data.event - relative * data.sum_while_at_risk(data.events / risk_set_sum))
        log_likelihood = float(linear[data.event].sum() - data.events @ np.log(risk_set_sum))
        return PartialEvaluation(log_likelihood, score, linear, risk_set_sum)

    def information(self, at: PartialEvaluation) -> FloatArray:
        """Observed information: Σ w H x x' − Σ x̄ x̄' dN."""
        data, relative = self.data, np.exp(at.linear)
        exposed = weighted_gram(self.x, relative * data.sum_while_at_risk(data.events / at.risk_set_sum))
        means = data.sum_at_risk(self.x, relative) / at.risk_set_sum[:, None]
        return exposed - (means * data.events[:, None]).T @ means


@dataclass(frozen=True)
class AddedColumnScores:
    """Score of each added column at the fitted model, and the information left once the model's own columns are fitted.

    `residual` is each row's observed less expected events (martingale residual).
    """

    score: FloatArray
    information: FloatArray
    residual: FloatArray

    def select(self, columns: list[int]) -> AddedColumnScores:
        """As if only these columns were to be added."""
        return AddedColumnScores(self.score[columns], self.information[np.ix_(columns, columns)], self.residual)

    def one_step(self, column: int) -> tuple[float, float]:
        """Log hazard ratio of one column with all others added too, one Newton step from 0, and its standard error.

        Without information the ratio is 0 and its standard error infinite.
        """
        covariance = symmetric_inverse(self.information + 1e-6 * np.eye(len(self.score)))
        variance = float(covariance[column, column])
        if variance > 1e4:
            return 0.0, float("inf")
        return float(covariance[column] @ self.score), variance**0.5


def score_added_columns(
    model: SurvivalModel, x: FloatArray, added: FloatArray, time: Days, event: NDArray[np.bool_]
) -> AddedColumnScores:
    """Score test of columns that are not in the model (D. R. Cox & D. V. Hinkley 1974, Theoretical Statistics, sect. 9.3).

    `x` has the model's columns (n × p), `added` those to add (n × k).
    """
    data, size = survival_data(time, event), x.shape[1]
    likelihood = PartialLikelihood(np.hstack([x, added]), data, np.zeros(len(x)))
    at = likelihood.at(np.append(model.coefficients, np.zeros(added.shape[1])))
    information = likelihood.information(at)
    across = information[size:, :size]
    expected = np.exp(at.linear) * data.sum_while_at_risk(data.events / at.risk_set_sum)
    return AddedColumnScores(
        at.score[size:],
        information[size:, size:] - across @ model.covariance @ across.T,
        event - expected,
    )
