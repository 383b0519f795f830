"""Ridges whose strength is estimated (empirical Bayes): the penalised mode of a quadratic log likelihood."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
MIN_VARIANCE, MAX_VARIANCE = 1e-3, 100.0
"""Of a pooled block's coefficients: between all but none and more than any log hazard is."""
RIDGE_STEPS, RIDGE_CONVERGED = 1_000, 1e-12
LONGEST_EXTRAPOLATION = 64.0
"""In steps of the rounds it replaces."""


@dataclass(frozen=True)
class Block:
    """Columns `start` to `stop` that share a ridge; its strength is estimated where `pooled` (empirical Bayes).

    A pooled block may have a prior: variance 1 / `penalty`, with the weight of `prior_df` coefficients known exactly.
    """

    start: int
    stop: int
    penalty: float = 0.0
    pooled: bool = False
    prior_df: float = 0.0


@dataclass(frozen=True)
class PenalisedMode:
    """The coefficients at the mode, and each column's ridge there."""

    coefficients: FloatArray
    penalties: FloatArray


def initial_penalties(blocks: Sequence[Block], columns: int) -> FloatArray:
    """Each column's ridge before any strength is estimated."""
    penalties = np.zeros(columns)
    for block in blocks:
        penalties[block.start : block.stop] = block.penalty
    return penalties


def penalised_mode(
    information: FloatArray, linear: FloatArray, blocks: Sequence[Block], penalties: FloatArray
) -> PenalisedMode:
    """The penalised mode of the log likelihood linear'b − b'(information)b / 2, with pooled ridges estimated.

    A pooled block's strength is its effective number of columns over its sum of squared coefficients (empirical Bayes;
    D. J. C. MacKay 1992, Neural Comput. 4:415-447), to both of which its prior adds (an inverse gamma prior of the
    variance); the implied variance is kept between 0.001 and 100. All other columns are taken out once (Schur complement),
    so that a round costs no more than the pooled columns.
    """
    pooled = np.zeros(len(linear), dtype=bool)
    for block in blocks:
        pooled[block.start : block.stop] = block.pooled
    p, f = np.flatnonzero(pooled), np.flatnonzero(~pooled)
    inner = symmetric_inverse(information[np.ix_(f, f)] + np.diag(penalties[f]))
    through = inner @ information[np.ix_(f, p)]
    left = information[np.ix_(p, p)] - information[np.ix_(p, f)] @ through
    b, ridge = _estimate_ridges(left, linear[p] - through.T @ linear[f], _pooled_blocks(blocks, p), penalties[p])
    coefficients, found = np.empty(len(linear)), penalties.copy()
    coefficients[p], found[p] = b, ridge
    coefficients[f] = inner @ linear[f] - through @ b
    return PenalisedMode(coefficients, found)


@dataclass(frozen=True)
class _PooledBlock:
    """A pooled block: its `position` among the pooled columns, and its prior's degrees of freedom and sum of squares."""

    position: slice
    prior_df: float
    prior_squares: float


def _pooled_blocks(blocks: Sequence[Block], pooled: NDArray[np.intp]) -> list[_PooledBlock]:
    parts = []
    for block in blocks:
        if block.pooled and block.stop > block.start:
            start, stop = np.searchsorted(pooled, [block.start, block.stop])
            squares = block.prior_df / block.penalty if block.prior_df else 0.0
            parts.append(_PooledBlock(slice(int(start), int(stop)), block.prior_df, squares))
    return parts


def _estimate_ridges(
    information: FloatArray, linear: FloatArray, pooled_blocks: list[_PooledBlock], penalties: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Rounds until no ridge moves; after every two plain ones an extrapolated one.

    Source: R. Varadhan & C. Roland 2008, Scand. J. Stat. 35:335-353 (squared extrapolation).
    """
    if not pooled_blocks:
        return np.zeros(0), penalties
    path = [np.log(np.array([penalties[part.position.start] for part in pooled_blocks]))]
    for _ in range(RIDGE_STEPS):
        moved = _updated_penalties(information, linear, pooled_blocks, path[-1])
        converged = np.max(np.abs(moved - path[-1])) < RIDGE_CONVERGED
        path.append(moved)
        if converged:
            break
        if len(path) == 3:
            path = [_accelerated_update(*path)]
    penalties = _by_column(path[-1], pooled_blocks, len(linear))
    return symmetric_inverse(information + np.diag(penalties)) @ linear, penalties


def _updated_penalties(
    information: FloatArray, linear: FloatArray, pooled_blocks: list[_PooledBlock], at: FloatArray
) -> FloatArray:
    """The logarithms of the ridges that the coefficients at these ridges imply."""
    penalties = _by_column(at, pooled_blocks, len(linear))
    covariance = symmetric_inverse(information + np.diag(penalties))
    b, shrinkage = covariance @ linear, penalties * np.diag(covariance)
    places = [part.position for part in pooled_blocks]
    edf = np.array([max(place.stop - place.start - shrinkage[place].sum(), 1e-3) for place in places])
    squares = np.array([float(b[place] @ b[place]) for place in places])
    edf, squares = (
        edf + [part.prior_df for part in pooled_blocks],
        squares + [part.prior_squares for part in pooled_blocks],
    )
    return -np.log(np.clip(squares / edf, MIN_VARIANCE, MAX_VARIANCE))


def _accelerated_update(first: FloatArray, second: FloatArray, third: FloatArray) -> FloatArray:
    step, bend = second - first, third - 2 * second + first
    far = min(float(np.linalg.norm(step)) / max(float(np.linalg.norm(bend)), 1e-300), LONGEST_EXTRAPOLATION)
    if far <= 1:
        return third
    return np.clip(first + 2 * far * step + far**2 * bend, -np.log(MAX_VARIANCE), -np.log(MIN_VARIANCE))


def _by_column(at: FloatArray, pooled_blocks: list[_PooledBlock], columns: int) -> FloatArray:
    penalties = np.zeros(columns)
    for ridge, part in zip(at, pooled_blocks, strict=True):
        penalties[part.position] = np.exp(ridge)
    return penalties


def symmetric_inverse(matrix: FloatArray) -> FloatArray:
    """Of a symmetric matrix; directions without information get none."""
    from scipy.linalg import lapack

    if not matrix.size:
        return matrix
    root, failed = lapack.dpotrf((matrix + matrix.T) / 2, lower=1)
    pivots = np.diag(root) ** 2
    if not failed and pivots.min(initial=np.inf) > pivots.max(initial=0.0) * 1e-10:
        half, _ = lapack.dpotri(root, lower=1)
        whole = half + half.T
        np.fill_diagonal(whole, np.diag(half))
        return np.asarray(whole)
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    positive = values > max(values.max(initial=0.0), 1e-300) * 1e-10
    return (vectors[:, positive] / values[positive]) @ vectors[:, positive].T
