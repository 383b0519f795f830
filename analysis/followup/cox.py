"""Proportional hazards with a free baseline: exact partial likelihood (Breslow ties) on whole days, Newton steps, ridges.

Rows are sorted by day once; a risk set is a sum over later days, so one pass of matrix products gives score and
information. Source: D. R. Cox 1972, J. R. Stat. Soc. B 34:187-220; N. Breslow 1974, Biometrics 30:89-99.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
Matrix = NDArray[np.floating]
CHUNK = 16_384
LEAST_VARIANCE = 1e-3
CONVERGED = 1e-9
NEWTON_STEPS = 60


@dataclass(frozen=True)
class Block:
    """Columns `start` to `stop` that share a ridge; its strength is estimated where `pooled` (empirical Bayes)."""

    start: int
    stop: int
    penalty: float = 0.0
    pooled: bool = False


@dataclass(frozen=True)
class Follow:
    """Times at risk in whole days, whether each ended in a return, and the order that sorts them."""

    days: NDArray[np.int64]
    returned: NDArray[np.bool_]
    order: NDArray[np.int64] = field(repr=False)
    starts: NDArray[np.int64] = field(repr=False)
    distinct: NDArray[np.int64] = field(repr=False)
    place: NDArray[np.int64] = field(repr=False)
    returns: Numbers = field(repr=False)
    strata: tuple[slice, ...] = field(repr=False)


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


def follow_of(days: NDArray[np.int64], returned: NDArray[np.bool_], stratum: NDArray[np.int64] | None = None) -> Follow:
    """The rows' follow-up, sorted once; rows of different strata are never at risk together."""
    stratum = np.zeros(len(days), dtype=np.int64) if stratum is None else stratum
    order = np.lexsort((days, stratum))
    pairs = np.stack([stratum[order], days[order]])
    new = np.concatenate([[True], (np.diff(pairs, axis=1) != 0).any(axis=0)]) if len(days) else np.zeros(0, dtype=bool)
    starts = np.flatnonzero(new)
    place = np.empty(len(days), dtype=np.int64)
    place[order] = np.cumsum(new) - 1
    returns = np.bincount(place[returned], minlength=len(starts)).astype(float)
    firsts = [*np.unique(pairs[0][starts], return_index=True)[1], len(starts)]
    strata = tuple(slice(int(a), int(b)) for a, b in pairwise(firsts))
    return Follow(days, returned, order, starts, pairs[1][starts], place, returns, strata)


def fit_returns(x: Matrix, follow: Follow, blocks: list[Block], offset: Numbers | None = None) -> ReturnModel:
    """Fit by Newton's method; pooled blocks' ridges move with every step.

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
    b = np.zeros(x.shape[1])
    state = _moments(x, follow, b, offset)
    for _ in range(NEWTON_STEPS):
        covariance = _inverse(state.information + np.diag(penalties))
        step = covariance @ (state.score - penalties * b)
        b, state = _damped(x, follow, b, step, penalties, state, offset)
        moved = _pooled(blocks, b, covariance, penalties)
        change = np.max(np.abs(np.log((moved + 1e-12) / (penalties + 1e-12)))) if len(moved) else 0.0
        penalties = moved
        if np.max(np.abs(step), initial=0.0) < CONVERGED and change < 1e-4:
            break
    covariance = _inverse(state.information + np.diag(penalties))
    edf = x.shape[1] - float((penalties * np.diag(covariance)).sum())
    hazard = follow.returns / state.s0
    return ReturnModel(
        b, covariance, penalties, edf, state.log_likelihood, hazard, state.linear, follow, state.means, state.s0
    )


def score_residuals(x: Matrix, model: ReturnModel) -> Numbers:
    """Each row's share of the score: e (x − x̄(T)) − w (x H(T) − A(T)), with A the cumulative sum of x̄ dH.

    Source: D. Y. Lin & L. J. Wei 1989, J. Am. Stat. Assoc. 84:1074-1078.
    """
    follow = model.follow
    w = np.exp(model.linear)
    h = _earlier_sums(model.hazard, follow)
    a = _earlier_sums(model.means * model.hazard[:, None], follow)
    e = follow.returned.astype(float)
    weight = e - w * h[follow.place]
    return x * weight[:, None] - e[:, None] * model.means[follow.place] + w[:, None] * a[follow.place]


def influence(x: Matrix, model: ReturnModel) -> Numbers:
    """The infinitesimal jackknife: how much each row moves each coefficient."""
    return score_residuals(x, model) @ model.covariance


def clustered(rows: Numbers, cluster: NDArray[np.int64]) -> Numbers:
    """Rows of influence summed within clusters (bikes bled more than once)."""
    order = np.argsort(cluster, kind="stable")
    starts = np.unique(cluster[order], return_index=True)[1]
    return np.add.reduceat(rows[order], starts, axis=0)


@dataclass(frozen=True)
class _Moments:
    log_likelihood: float
    score: Numbers
    information: Numbers
    linear: Numbers
    s0: Numbers
    means: Numbers


def _moments(x: Matrix, follow: Follow, b: Numbers, offset: Numbers | None) -> _Moments:
    linear = (x @ b.astype(x.dtype)).astype(float) + (0.0 if offset is None else offset)
    w = np.exp(linear)
    s0 = _later_sums(np.add.reduceat(w[follow.order], follow.starts), follow)
    s1 = _later_sums(_day_sums(x, follow, w), follow)
    means = s1 / s0[:, None]
    hazard = follow.returns / s0
    information = (
        _crossproduct(x, w * _earlier_sums(hazard, follow)[follow.place]) - (means * follow.returns[:, None]).T @ means
    )
    back = follow.returned
    score = x[back].sum(axis=0, dtype=float) - follow.returns @ means
    log_likelihood = float(linear[back].sum() - follow.returns @ np.log(s0))
    return _Moments(log_likelihood, score, information, linear, s0, means)


def _damped(
    x: Matrix, follow: Follow, b: Numbers, step: Numbers, penalties: Numbers, state: _Moments, offset: Numbers | None
) -> tuple[Numbers, _Moments]:
    """The Newton step, halved until the penalised likelihood does not fall."""
    before = state.log_likelihood - 0.5 * penalties @ b**2
    for _ in range(30):
        moved = b + step
        new = _moments(x, follow, moved, offset)
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


def _later_sums(by_day: Numbers, follow: Follow) -> Numbers:
    return np.concatenate([np.cumsum(by_day[part][::-1], axis=0)[::-1] for part in follow.strata])


def _earlier_sums(by_day: Numbers, follow: Follow) -> Numbers:
    return np.concatenate([np.cumsum(by_day[part], axis=0) for part in follow.strata])


def _day_sums(x: Matrix, follow: Follow, w: Numbers) -> Numbers:
    sums = np.zeros((len(follow.distinct), x.shape[1]))
    for start in range(0, len(w), CHUNK):
        rows = follow.order[start : start + CHUNK]
        day = follow.place[rows]
        first = np.concatenate([[0], np.flatnonzero(np.diff(day)) + 1])
        part = np.add.reduceat(x[rows] * w[rows, None].astype(x.dtype), first, axis=0)
        sums[day[first]] += part
    return sums


def _crossproduct(x: Matrix, weight: Numbers) -> Numbers:
    total = np.zeros((x.shape[1], x.shape[1]))
    root = np.sqrt(weight).astype(x.dtype)
    for start in range(0, len(weight), CHUNK):
        part = x[start : start + CHUNK] * root[start : start + CHUNK, None]
        total += part.T @ part
    return total


def _inverse(matrix: Numbers) -> Numbers:
    """Of a symmetric matrix; directions without information get none."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    kept = values > max(values.max(initial=0.0), 1e-300) * 1e-10
    return (vectors[:, kept] / values[kept]) @ vectors[:, kept].T
