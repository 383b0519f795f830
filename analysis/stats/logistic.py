"""Ridge logistic regression by Newton's method, and its cross-fitted version."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.stats.clusters import weighted_gram

FloatArray = NDArray[np.float64]
RIDGE = 1.0
TOLERANCE = 1e-18
"""Default for the gain in twice the log likelihood below which a step is the last."""
REUSE_INFORMATION, NOT_CONVERGED = 0.02, 1e-8
"""The information matrix is reused for the next step until a step gains more than `REUSE_INFORMATION` of the previous
gain: it costs as many matrix-vector products as there are columns, the score one."""
MAX_STEPS, MAX_HALVINGS = 50, 30


@dataclass(frozen=True)
class CrossFittedCoefficients:
    """Coefficients of the fits without each fold, (p + 1) × folds, the intercept last.

    `estimable` is false for a fold outside which only one outcome occurs.
    """

    coefficients: FloatArray
    estimable: NDArray[np.bool_]


def ridge_logistic(
    x: FloatArray, trials: FloatArray, successes: FloatArray, tolerance: float = TOLERANCE
) -> FloatArray:
    """Fit a logistic regression with a ridge penalty of 1 on every coefficient but the intercept.

    Source: P. McCullagh & J. A. Nelder 1989, Generalized Linear Models, 2nd ed., ch. 4.

    Parameters
    ----------
    x
        n × p, finite.
    trials, successes
        Binomial counts of each row, n each; at least one success and one failure in all.
    tolerance
        The gain in twice the log likelihood below which a step is the last.

    Returns
    -------
    ndarray
        p + 1 coefficients, the intercept last.
    """
    counts = _BinomialCounts(_with_intercept(x), trials[:, None], successes[:, None])
    start = np.zeros((x.shape[1] + 1, 1))
    start[-1] = np.log(successes.sum() / (trials.sum() - successes.sum()))
    return _newton(counts, start, tolerance)[:, 0]


def cross_fitted_logistic(
    x: FloatArray, trials: FloatArray, successes: FloatArray, tolerance: float = TOLERANCE
) -> CrossFittedCoefficients:
    """Fit `ridge_logistic` to the rows outside each fold.

    Every fit starts at the fit to all rows and uses the information there, less the fold's own; a fit that does not
    converge with it continues with Newton's method.

    Parameters
    ----------
    x
        n × p, finite.
    trials, successes
        n × folds: binomial counts of each row within each fold.
    tolerance
        As in `ridge_logistic`.
    """
    rows = _with_intercept(x)
    others = _BinomialCounts(
        rows, trials.sum(axis=1, keepdims=True) - trials, successes.sum(axis=1, keepdims=True) - successes
    )
    successes_outside = others.successes.sum(axis=0)
    estimable = (successes_outside > 0) & (successes_outside < others.trials.sum(axis=0))
    coefficients = np.zeros((rows.shape[1], trials.shape[1]))
    if not estimable.any():
        return CrossFittedCoefficients(coefficients, estimable)
    folds = np.flatnonzero(estimable)
    whole = ridge_logistic(x, trials.sum(axis=1), successes.sum(axis=1), tolerance)
    inverses = np.asarray(np.linalg.inv(_information_outside(rows, trials, whole)[folds]), dtype=float)
    start = _start_position(others.select(folds), np.repeat(whole[:, None], len(folds), axis=1))
    end = _chord_steps(start, others.select(folds), inverses, tolerance)
    coefficients[:, folds] = end.b
    for fold in folds[end.gain > max(NOT_CONVERGED, tolerance)]:
        coefficients[:, [fold]] = _newton(others.select(np.array([fold])), coefficients[:, [fold]], tolerance)
    return CrossFittedCoefficients(coefficients, estimable)


def out_of_fold_log_odds(x: FloatArray, fits: Sequence[CrossFittedCoefficients], fold: NDArray[np.int64]) -> FloatArray:
    """Log odds of each row by the fits without its fold, one column per fit; minus infinity where not estimable.

    Parameters
    ----------
    x
        Covariates as in the fits, n × p.
    fits
        Cross-fitted models with the same folds.
    fold
        Each row's fold, from 0.
    """
    coefficients = np.stack([fit.coefficients for fit in fits], axis=-1)
    estimable = np.stack([fit.estimable for fit in fits], axis=-1)
    log_odds = np.empty((len(x), len(fits)))
    for own in np.unique(fold):
        rows = fold == own
        linear = x[rows] @ coefficients[:-1, own] + coefficients[-1, own]
        log_odds[rows] = np.where(estimable[own], linear, -np.inf)
    return log_odds


@dataclass(frozen=True)
class _BinomialCounts:
    """Design matrix with intercept, and trials and successes, n × fits."""

    rows: FloatArray = field(repr=False)
    trials: FloatArray = field(repr=False)
    successes: FloatArray = field(repr=False)

    def select(self, fits: NDArray[np.intp]) -> _BinomialCounts:
        return _BinomialCounts(self.rows, self.trials[:, fits], self.successes[:, fits])

    def score(self, b: FloatArray, linear: FloatArray) -> FloatArray:
        return self.rows.T @ (self.successes - self.trials * expit(linear)) - _ridge_penalties(self.rows)[:, None] * b

    def loss(self, b: FloatArray, linear: FloatArray) -> FloatArray:
        minus_log = (self.trials * np.logaddexp(0, linear) - self.successes * linear).sum(axis=0)
        return minus_log + 0.5 * (_ridge_penalties(self.rows)[:, None] * b**2).sum(axis=0)


@dataclass(frozen=True)
class _FitPosition:
    """Current coefficients, linear predictors and the gain of the next step, one column per fit."""

    b: FloatArray
    linear: FloatArray
    gain: FloatArray


def _start_position(counts: _BinomialCounts, b: FloatArray) -> _FitPosition:
    return _FitPosition(b, counts.rows @ b, np.full(b.shape[1], np.inf))


def _newton(counts: _BinomialCounts, b: FloatArray, tolerance: float) -> FloatArray:
    """Newton's method for one fit; (p + 1) × 1."""
    at, last = _start_position(counts, b), np.inf
    for _ in range(MAX_STEPS):
        p = expit(at.linear[:, 0])
        information = weighted_gram(counts.rows, counts.trials[:, 0] * p * (1 - p)) + np.diag(
            _ridge_penalties(counts.rows)
        )
        inverses = np.asarray(np.linalg.inv(information), dtype=float)[None]
        at = _chord_steps(at, counts, inverses, tolerance, REUSE_INFORMATION)
        gain = float(at.gain[0])
        if gain < tolerance or (gain < NOT_CONVERGED and gain > REUSE_INFORMATION * last):
            break
        last = gain
    return at.b


def _chord_steps(
    at: _FitPosition, counts: _BinomialCounts, inverses: FloatArray, tolerance: float, slow: float = 1.0
) -> _FitPosition:
    """Newton steps with fixed information, while each gains less than `slow` of the previous one."""
    last = np.inf
    for _ in range(MAX_STEPS):
        score = counts.score(at.b, at.linear)
        step = np.einsum("kij,jk->ik", inverses, score)
        gain = (step * score).sum(axis=0)
        if gain.max() < tolerance or gain.max() > slow * last:
            return _FitPosition(at.b, at.linear, gain)
        at, last = _take_step(at, step, counts, halving=bool(gain.max() > 1)), float(gain.max())
    return at


def _take_step(at: _FitPosition, step: FloatArray, counts: _BinomialCounts, *, halving: bool) -> _FitPosition:
    """The position after a step, halved where the loss would increase."""
    new = _start_position(counts, at.b + step)
    if not halving:
        return new
    before = counts.loss(at.b, at.linear)
    for _ in range(MAX_HALVINGS):
        worse = counts.loss(new.b, new.linear) > before + 1e-6 * (1 + np.abs(before))
        if not worse.any():
            break
        step = np.where(worse, step / 2, step)
        new = _start_position(counts, at.b + step)
    return new


def _information_outside(rows: FloatArray, trials: FloatArray, coefficients: FloatArray) -> FloatArray:
    """The information outside each fold at these coefficients: folds × (p + 1) × (p + 1)."""
    p = expit(rows @ coefficients)
    own = np.empty((trials.shape[1], rows.shape[1], rows.shape[1]))
    for fold in range(trials.shape[1]):
        inside = trials[:, fold] > 0
        own[fold] = weighted_gram(rows[inside], (trials[:, fold] * p * (1 - p))[inside])
    return np.asarray(own.sum(axis=0) + np.diag(_ridge_penalties(rows)) - own)


def _with_intercept(x: FloatArray) -> FloatArray:
    return np.hstack([x, np.ones((len(x), 1))])


def expit(linear: FloatArray) -> FloatArray:
    """Probability of log odds."""
    from scipy import special

    return np.asarray(special.expit(linear))


def _ridge_penalties(rows: FloatArray) -> FloatArray:
    return np.append(np.full(rows.shape[1] - 1, RIDGE), 0.0)
