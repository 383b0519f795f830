"""Penalised maximum likelihood by Newton's method, with ridge penalties estimated by empirical Bayes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis.stats import symmetric_inverse

FloatArray = NDArray[np.float64]
MIN_VARIANCE, MAX_VARIANCE = 1e-3, 100.0
"""Range of a pooled block's variance: from almost no variation to more than any log hazard ratio has."""
RIDGE_STEPS, RIDGE_TOLERANCE = 1_000, 1e-12
MAX_EXTRAPOLATION = 64.0
"""Longest extrapolation of the penalties, in multiples of the last step."""
TOLERANCE = 1e-16
"""A step that gains less than this in twice the log likelihood (1e-8 standard errors) is the last."""
CLOSE, REUSE_INFORMATION = 1e-7, 0.02
"""The information matrix is reused for the next step until a step gains more than `REUSE_INFORMATION` of the previous
gain, and is computed once more when gains fall below `CLOSE`: it costs as many matrix-vector products as there are
columns, the score one."""
DISTANT = 10.0
"""While a step at fixed penalties gains more than this in twice the log likelihood, the quadratic approximation is too
poor to estimate penalties from."""
NEWTON_STEPS, HALVINGS = 80, 30


@dataclass(frozen=True)
class Block:
    """Columns `start` to `stop` with a common ridge penalty, estimated by empirical Bayes if `pooled`.

    A pooled block may have a prior variance of 1 / `penalty`, worth `prior_df` exactly known coefficients.
    """

    start: int
    stop: int
    penalty: float = 0.0
    pooled: bool = False
    prior_df: float = 0.0


@dataclass(frozen=True)
class Evaluation:
    """A log likelihood and its score at some coefficients."""

    log_likelihood: float
    score: FloatArray


At = TypeVar("At", bound=Evaluation)


class Likelihood(Protocol[At]):
    """A log likelihood that can be evaluated at coefficients, and its information there."""

    def at(self, b: FloatArray) -> At: ...

    def information(self, at: At) -> FloatArray: ...


@dataclass(frozen=True)
class PenalisedFit(Generic[At]):
    """Coefficients, their ridge penalties, and the unpenalised information and evaluation there."""

    coefficients: FloatArray
    penalties: FloatArray
    information: FloatArray
    at: At


@dataclass(frozen=True)
class PenalisedMode:
    """The coefficients at the mode, and the ridge penalty of each column there."""

    coefficients: FloatArray
    penalties: FloatArray


def maximise(likelihood: Likelihood[At], blocks: Sequence[Block], start: FloatArray) -> PenalisedFit[At]:
    """Maximise the penalised likelihood; each step re-estimates pooled penalties on the quadratic approximation.

    Columns in no block have no penalty.
    """
    b, penalties, last, close = start, initial_penalties(blocks, len(start)), np.inf, False
    at = likelihood.at(b)
    information = likelihood.information(at)
    for _ in range(NEWTON_STEPS):
        step, penalties = _newton_step(information, at.score, b, blocks, penalties)
        gain = float(step @ (information + np.diag(penalties)) @ step)
        if close and (gain < TOLERANCE or gain > last):
            break
        b, at = _line_search(likelihood, b, step, penalties, at)
        arrived = gain < CLOSE and not close
        if arrived or gain > (CLOSE if close else max(CLOSE, REUSE_INFORMATION * last)):
            information, close = likelihood.information(at), close or gain < CLOSE
        last = np.inf if arrived else gain
    return PenalisedFit(b, penalties, information, at)


def standard_error_factor(events: float, edf: float) -> float:
    """sqrt(E / (E − edf)), at most 2, for E events and `edf` effective columns."""
    return float(np.sqrt(events / max(events - edf, 0.25 * events)))


def require_usable(x: FloatArray, event: NDArray[np.bool_]) -> None:
    """Raise ValueError where a model cannot be fitted."""
    if not event.any():
        raise ValueError("event: at least one return is needed, got none; use crude rates instead")
    if not np.isfinite(x.sum(axis=0)).all():
        raise ValueError("x: every covariate must be finite, got NaN or infinity; fill in missing values first")


def initial_penalties(blocks: Sequence[Block], columns: int) -> FloatArray:
    """Each column's ridge penalty before any is estimated."""
    penalties = np.zeros(columns)
    for block in blocks:
        penalties[block.start : block.stop] = block.penalty
    return penalties


def penalised_mode(
    information: FloatArray, linear: FloatArray, blocks: Sequence[Block], penalties: FloatArray
) -> PenalisedMode:
    """Mode of the penalised quadratic log likelihood linear'b − b'(information)b / 2, pooled penalties estimated.

    A pooled block's penalty is its effective degrees of freedom over its sum of squared coefficients (empirical Bayes;
    D. J. C. MacKay 1992, Neural Comput. 4:415-447), both increased by its prior (inverse gamma for the variance); the
    implied variance is limited to 0.001 to 100. Unpooled columns are eliminated first (Schur complement).
    """
    pooled = np.zeros(len(linear), dtype=bool)
    for block in blocks:
        pooled[block.start : block.stop] = block.pooled
    p, f = np.flatnonzero(pooled), np.flatnonzero(~pooled)
    inner = symmetric_inverse(information[np.ix_(f, f)] + np.diag(penalties[f]))
    projection = inner @ information[np.ix_(f, p)]
    complement = information[np.ix_(p, p)] - information[np.ix_(p, f)] @ projection
    pooled_blocks = _pooled_blocks(blocks, p)
    b, ridge = _estimate_ridges(complement, linear[p] - projection.T @ linear[f], pooled_blocks, penalties[p])
    coefficients, all_penalties = np.empty(len(linear)), penalties.copy()
    coefficients[p], all_penalties[p] = b, ridge
    coefficients[f] = inner @ linear[f] - projection @ b
    return PenalisedMode(coefficients, all_penalties)


def _newton_step(
    information: FloatArray, score: FloatArray, b: FloatArray, blocks: Sequence[Block], penalties: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The Newton step and its penalties, which are estimated unless the maximum is distant."""
    penalised_score = score - penalties * b
    step = symmetric_inverse(information + np.diag(penalties)) @ penalised_score
    if float(step @ penalised_score) >= DISTANT:
        return step, penalties
    mode = penalised_mode(information, score + information @ b, blocks, penalties)
    return mode.coefficients - b, mode.penalties


def _line_search(
    likelihood: Likelihood[At], b: FloatArray, step: FloatArray, penalties: FloatArray, at: At
) -> tuple[FloatArray, At]:
    """Halve the step until the penalised likelihood does not decrease."""
    before = at.log_likelihood - 0.5 * penalties @ b**2
    for _ in range(HALVINGS):
        moved = b + step
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            new = likelihood.at(moved)
        after = new.log_likelihood - 0.5 * penalties @ moved**2
        if np.isfinite(after) and after >= before - 1e-7 * (1 + abs(before)):
            return moved, new
        step = step / 2
    return b, at


@dataclass(frozen=True)
class _PooledBlock:
    """A pooled block: its `columns` among all pooled ones, and its prior's degrees of freedom and sum of squares."""

    columns: slice
    prior_df: float
    prior_squares: float


def _pooled_blocks(blocks: Sequence[Block], pooled: NDArray[np.intp]) -> list[_PooledBlock]:
    result = []
    for block in blocks:
        if block.pooled and block.stop > block.start:
            start, stop = np.searchsorted(pooled, [block.start, block.stop])
            squares = block.prior_df / block.penalty if block.prior_df else 0.0
            result.append(_PooledBlock(slice(int(start), int(stop)), block.prior_df, squares))
    return result


def _estimate_ridges(
    information: FloatArray, linear: FloatArray, blocks: list[_PooledBlock], penalties: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Iterate the penalties to a fixed point, extrapolating after every second update.

    Source: R. Varadhan & C. Roland 2008, Scand. J. Stat. 35:335-353 (squared extrapolation).
    """
    if not blocks:
        return np.zeros(0), penalties
    path = [np.log(np.array([penalties[block.columns.start] for block in blocks]))]
    for _ in range(RIDGE_STEPS):
        updated = _updated_log_penalties(information, linear, blocks, path[-1])
        converged = np.max(np.abs(updated - path[-1])) < RIDGE_TOLERANCE
        path.append(updated)
        if converged:
            break
        if len(path) == 3:
            path = [_extrapolate_penalties(*path)]
    penalties = _penalty_by_column(path[-1], blocks, len(linear))
    return symmetric_inverse(information + np.diag(penalties)) @ linear, penalties


def _updated_log_penalties(
    information: FloatArray, linear: FloatArray, blocks: list[_PooledBlock], log_penalties: FloatArray
) -> FloatArray:
    """The log penalties implied by the coefficients at these penalties."""
    penalties = _penalty_by_column(log_penalties, blocks, len(linear))
    covariance = symmetric_inverse(information + np.diag(penalties))
    b, shrinkage = covariance @ linear, penalties * np.diag(covariance)
    columns = [block.columns for block in blocks]
    edf = np.array([max(own.stop - own.start - shrinkage[own].sum(), 1e-3) for own in columns])
    squares = np.array([float(b[own] @ b[own]) for own in columns])
    edf = edf + [block.prior_df for block in blocks]
    squares = squares + [block.prior_squares for block in blocks]
    return -np.log(np.clip(squares / edf, MIN_VARIANCE, MAX_VARIANCE))


def _extrapolate_penalties(first: FloatArray, second: FloatArray, third: FloatArray) -> FloatArray:
    step, curvature = second - first, third - 2 * second + first
    length = min(float(np.linalg.norm(step)) / max(float(np.linalg.norm(curvature)), 1e-300), MAX_EXTRAPOLATION)
    if length <= 1:
        return third
    return np.clip(first + 2 * length * step + length**2 * curvature, -np.log(MAX_VARIANCE), -np.log(MIN_VARIANCE))


def _penalty_by_column(log_penalties: FloatArray, blocks: list[_PooledBlock], columns: int) -> FloatArray:
    penalties = np.zeros(columns)
    for log_penalty, block in zip(log_penalties, blocks, strict=True):
        penalties[block.columns] = np.exp(log_penalty)
    return penalties
