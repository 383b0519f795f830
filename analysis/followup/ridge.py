"""Ridges whose strength the data tell: where a likelihood's parabola has its penalised top, pooled ridges settled on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
LEAST_VARIANCE, MOST_VARIANCE = 1e-3, 100.0
"""Of a pooled block's coefficients: between all but none and more than any log hazard is."""
RIDGE_STEPS, RIDGE_SETTLED = 1_000, 1e-12
LONGEST_LEAP = 64.0
"""In steps of the rounds it leaps over."""


@dataclass(frozen=True)
class Block:
    """Columns `start` to `stop` that share a ridge; its strength is estimated where `pooled` (empirical Bayes).

    What is usual of a pooled block's coefficients may be told: their variance 1 / `penalty`, which then weighs as much as
    `worth` columns perfectly known.
    """

    start: int
    stop: int
    penalty: float = 0.0
    pooled: bool = False
    worth: float = 0.0


@dataclass(frozen=True)
class Top:
    """The coefficients at the top, and each column's ridge there."""

    coefficients: Numbers
    penalties: Numbers


def first_penalties(blocks: list[Block], columns: int) -> Numbers:
    """Each column's ridge before anything is known of it."""
    penalties = np.zeros(columns)
    for block in blocks:
        penalties[block.start : block.stop] = block.penalty
    return penalties


def top_of(information: Numbers, told: Numbers, blocks: list[Block], penalties: Numbers) -> Top:
    """The penalised top of the parabola told'b − b'(information)b / 2, pooled ridges settled.

    A pooled block's strength is its effective number of columns over its sum of squared coefficients (empirical Bayes;
    D. J. C. MacKay 1992, Neural Comput. 4:415-447), to both of which what is usual of it adds its worth (an inverse gamma
    prior of the variance); the implied variance is kept between 0.001 and 100. All other columns are taken out once (Schur
    complement), so that a round costs no more than the pooled columns.
    """
    pooled = np.zeros(len(told), dtype=bool)
    for block in blocks:
        pooled[block.start : block.stop] = block.pooled
    p, f = np.flatnonzero(pooled), np.flatnonzero(~pooled)
    inner = inverse(information[np.ix_(f, f)] + np.diag(penalties[f]))
    through = inner @ information[np.ix_(f, p)]
    left = information[np.ix_(p, p)] - information[np.ix_(p, f)] @ through
    b, ridge = _settled(left, told[p] - through.T @ told[f], _parts(blocks, p), penalties[p])
    coefficients, settled = np.empty(len(told)), penalties.copy()
    coefficients[p], settled[p] = b, ridge
    coefficients[f] = inner @ told[f] - through @ b
    return Top(coefficients, settled)


@dataclass(frozen=True)
class _Part:
    """A pooled block: its `place` among the pooled columns, and what is usual of it, in columns and in squares."""

    place: slice
    columns: float
    squares: float


def _parts(blocks: list[Block], pooled: NDArray[np.intp]) -> list[_Part]:
    parts = []
    for block in blocks:
        if block.pooled and block.stop > block.start:
            start, stop = np.searchsorted(pooled, [block.start, block.stop])
            usual = block.worth / block.penalty if block.worth else 0.0
            parts.append(_Part(slice(int(start), int(stop)), block.worth, usual))
    return parts


def _settled(information: Numbers, told: Numbers, parts: list[_Part], penalties: Numbers) -> tuple[Numbers, Numbers]:
    """Rounds until no ridge moves; after every two plain ones a leap to where they seem to lead.

    Source: R. Varadhan & C. Roland 2008, Scand. J. Stat. 35:335-353 (squared extrapolation).
    """
    if not parts:
        return np.zeros(0), penalties
    path = [np.log(np.array([penalties[part.place.start] for part in parts]))]
    for _ in range(RIDGE_STEPS):
        moved = _round(information, told, parts, path[-1])
        settled = np.max(np.abs(moved - path[-1])) < RIDGE_SETTLED
        path.append(moved)
        if settled:
            break
        if len(path) == 3:
            path = [_leap(*path)]
    penalties = _spread_out(path[-1], parts, len(told))
    return inverse(information + np.diag(penalties)) @ told, penalties


def _round(information: Numbers, told: Numbers, parts: list[_Part], at: Numbers) -> Numbers:
    """The logarithms of the ridges that the coefficients at these ridges ask for."""
    penalties = _spread_out(at, parts, len(told))
    covariance = inverse(information + np.diag(penalties))
    b, held = covariance @ told, penalties * np.diag(covariance)
    places = [part.place for part in parts]
    edf = np.array([max(place.stop - place.start - held[place].sum(), 1e-3) for place in places])
    squares = np.array([float(b[place] @ b[place]) for place in places])
    edf, squares = edf + [part.columns for part in parts], squares + [part.squares for part in parts]
    return -np.log(np.clip(squares / edf, LEAST_VARIANCE, MOST_VARIANCE))


def _leap(first: Numbers, second: Numbers, third: Numbers) -> Numbers:
    step, bend = second - first, third - 2 * second + first
    far = min(float(np.linalg.norm(step)) / max(float(np.linalg.norm(bend)), 1e-300), LONGEST_LEAP)
    if far <= 1:
        return third
    return np.clip(first + 2 * far * step + far**2 * bend, -np.log(MOST_VARIANCE), -np.log(LEAST_VARIANCE))


def _spread_out(at: Numbers, parts: list[_Part], columns: int) -> Numbers:
    penalties = np.zeros(columns)
    for ridge, part in zip(at, parts, strict=True):
        penalties[part.place] = np.exp(ridge)
    return penalties


def inverse(matrix: Numbers) -> Numbers:
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
    kept = values > max(values.max(initial=0.0), 1e-300) * 1e-10
    return (vectors[:, kept] / values[kept]) @ vectors[:, kept].T
