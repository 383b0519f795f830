"""Proportional hazards with a free baseline: exact partial likelihood (Breslow ties) on whole days, Newton steps, ridges.

Rows are sorted by day once; a risk set is a sum over later days, so one pass of matrix products gives score and
information. Source: D. R. Cox 1972, J. R. Stat. Soc. B 34:187-220; N. Breslow 1974, Biometrics 30:89-99.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.followup.risk_sets import Follow, earlier_sums, later_sums

Numbers = NDArray[np.float64]
Matrix = NDArray[np.floating]
CHUNK = 16_384
LEAST_VARIANCE = 1e-3
CONVERGED = 1e-8
"""A Newton step ends the search when it gains less than this in twice the log likelihood: a ten-thousandth of a
standard error, and what is left after it is the square of that."""
NEWTON_STEPS = 60
RIDGE_STEPS, RIDGE_SETTLED = 200, 1e-4
SINGLE_FROM = 50_000
"""More bleeds than this are multiplied in single precision; sums stay double."""


@dataclass(frozen=True)
class Block:
    """Columns `start` to `stop` that share a ridge; its strength is estimated where `pooled` (empirical Bayes)."""

    start: int
    stop: int
    penalty: float = 0.0
    pooled: bool = False


@dataclass(frozen=True)
class ReturnModel:
    """A fitted time-to-return model.

    `coefficients` and `covariance` (the inverse of the penalised information), `penalties` a column, `edf` the columns'
    effective number, `hazard` the baseline's jumps on the distinct days of `follow`, `linear` each row's x·b,
    `log_likelihood` unpenalised.
    """

    coefficients: Numbers
    covariance: Numbers
    penalties: Numbers
    edf: float
    log_likelihood: float
    hazard: Numbers
    linear: Numbers
    follow: Follow
    means: Numbers = field(repr=False)
    risk: Numbers = field(repr=False)

    def cumulative(self, days: NDArray[np.int64] | int) -> Numbers:
        """Baseline cumulative hazard of the first stratum, up to and with each of `days` (for a row whose x·b is 0)."""
        first = self.follow.strata[0]
        whole = np.concatenate([[0.0], np.cumsum(self.hazard[first])])
        return whole[np.searchsorted(self.follow.distinct[first], days, side="right")]


def fit_returns(x: Matrix, follow: Follow, blocks: list[Block], offset: Numbers | None = None) -> ReturnModel:
    """Fit by Newton's method; pooled blocks' ridges settle at every step on the likelihood's parabola there.

    A pooled block's strength is its effective number of columns over its sum of squared coefficients (empirical Bayes;
    D. J. C. MacKay 1992, Neural Comput. 4:415-447), its implied variance never below 0.001.

    Parameters
    ----------
    x
        One row a bleed, one column a covariate, centred; float32 or float64.
    follow
        `follow_of(days, returned)`; strata have baselines of their own.
    blocks
        Ridges; columns in no block are free.
    offset
        Added to x·b, one a row.

    Raises
    ------
    ValueError
        No return at all, or a column that is not finite.
    """
    if not follow.returned.any():
        raise ValueError("follow: at least one return is needed, got none; ask for raw rates instead")
    if not np.isfinite(x).all():
        raise ValueError("x: every covariate must be finite, got NaN or infinity; fill what was not recorded")
    penalties = np.zeros(x.shape[1])
    for block in blocks:
        penalties[block.start : block.stop] = block.penalty
    kind = np.float32 if len(x) > SINGLE_FROM else x.dtype
    rows = _Rows(x[follow.order].astype(kind, copy=False), follow, follow.place[follow.order], offset)
    b = np.zeros(x.shape[1])
    state = _moments(rows, b)
    for _ in range(NEWTON_STEPS):
        penalties, aim = _aim(state, b, blocks, penalties)
        step = aim - b
        gain = float(step @ (state.information + np.diag(penalties)) @ step)
        b, state = _damped(rows, b, step, penalties, state)
        if gain < CONVERGED:
            break
    covariance = _inverse(state.information + np.diag(penalties))
    edf = x.shape[1] - float((penalties * np.diag(covariance)).sum())
    linear = np.empty(len(x))
    linear[follow.order] = state.linear
    hazard = follow.returns / state.s0
    return ReturnModel(
        b, covariance, penalties, edf, state.log_likelihood, hazard, linear, follow, state.means, state.s0
    )


@dataclass(frozen=True)
class _Rows:
    """The covariates in the order of the days, and what is added to x·b (in the log's order)."""

    x: Matrix
    follow: Follow
    day: NDArray[np.int64]
    offset: Numbers | None


@dataclass(frozen=True)
class _Moments:
    """`linear` and what is summed from it, rows in the order of the days."""

    log_likelihood: float
    score: Numbers
    information: Numbers
    linear: Numbers
    s0: Numbers
    means: Numbers


def _moments(rows: _Rows, b: Numbers) -> _Moments:
    follow, x = rows.follow, rows.x
    linear = (x @ b.astype(x.dtype)).astype(float)
    if rows.offset is not None:
        linear += rows.offset[follow.order]
    w = np.exp(linear)
    s0 = later_sums(np.add.reduceat(w, follow.starts), follow)
    hazard = earlier_sums(follow.returns / s0, follow)
    by_day, crossproduct = _sums(rows, w, hazard[rows.day])
    means = later_sums(by_day, follow) / s0[:, None]
    information = crossproduct - (means * follow.returns[:, None]).T @ means
    back = follow.returned[follow.order]
    score = x[back].sum(axis=0, dtype=float) - follow.returns @ means
    log_likelihood = float(linear[back].sum() - follow.returns @ np.log(s0))
    return _Moments(log_likelihood, score, information, linear, s0, means)


def _aim(state: _Moments, b: Numbers, blocks: list[Block], penalties: Numbers) -> tuple[Numbers, Numbers]:
    """Where the likelihood's parabola at b has its penalised top, pooled ridges settled on that parabola."""
    told = state.score + state.information @ b
    for _ in range(RIDGE_STEPS):
        covariance = _inverse(state.information + np.diag(penalties))
        aim = covariance @ told
        moved = _pooled(blocks, aim, covariance, penalties)
        change = np.max(np.abs(np.log((moved + 1e-12) / (penalties + 1e-12))), initial=0.0)
        penalties = moved
        if change < RIDGE_SETTLED:
            break
    return penalties, _inverse(state.information + np.diag(penalties)) @ told


def _damped(rows: _Rows, b: Numbers, step: Numbers, penalties: Numbers, state: _Moments) -> tuple[Numbers, _Moments]:
    """The Newton step, halved until the penalised likelihood does not fall."""
    before = state.log_likelihood - 0.5 * penalties @ b**2
    for _ in range(30):
        moved = b + step
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            new = _moments(rows, moved)
        after = new.log_likelihood - 0.5 * penalties @ moved**2
        if np.isfinite(after) and after >= before - 1e-7 * (1 + abs(before)):
            return moved, new
        step = step / 2
    return b, state


def _pooled(blocks: list[Block], b: Numbers, covariance: Numbers, penalties: Numbers) -> Numbers:
    moved = penalties.copy()
    for block in blocks:
        if block.pooled and block.stop > block.start:
            part = slice(block.start, block.stop)
            size = block.stop - block.start
            edf = max(size - penalties[block.start] * np.trace(covariance[part, part]), 1e-3)
            variance = max(float(b[part] @ b[part]) / edf, LEAST_VARIANCE)
            moved[part] = 1 / variance
    return moved


def _sums(rows: _Rows, w: Numbers, hazard: Numbers) -> tuple[Numbers, Numbers]:
    """Σ w x by day, and Σ w H x x' over all rows, chunk by chunk."""
    x, day = rows.x, rows.day
    by_day, crossproduct = np.zeros((len(rows.follow.distinct), x.shape[1])), np.zeros((x.shape[1], x.shape[1]))
    root = np.sqrt(w * hazard).astype(x.dtype)
    for start in range(0, len(w), CHUNK):
        part = slice(start, start + CHUNK)
        first = np.concatenate([[0], np.flatnonzero(np.diff(day[part])) + 1])
        by_day[day[part][first]] += np.add.reduceat(x[part] * w[part, None].astype(x.dtype), first, axis=0)
        weighted = x[part] * root[part, None]
        crossproduct += weighted.T @ weighted
    return by_day, crossproduct


def _inverse(matrix: Numbers) -> Numbers:
    """Of a symmetric matrix; directions without information get none."""
    from scipy.linalg import lapack

    root, failed = lapack.dpotrf((matrix + matrix.T) / 2, lower=1)
    pivots = np.diag(root) ** 2
    if not failed and pivots.min(initial=np.inf) > pivots.max(initial=0.0) * 1e-10:
        half, _ = lapack.dpotri(root, lower=1)
        return np.tril(half) + np.tril(half, -1).T
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    kept = values > max(values.max(initial=0.0), 1e-300) * 1e-10
    return (vectors[:, kept] / values[kept]) @ vectors[:, kept].T
