"""Ridge logistic regressions fitted without one fold after another; all of them begin where the fit of all rows ended."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.regression.matrices import Floats, Joined, crossed, product, products, squared

Numbers = NDArray[np.float64]
RIDGE = 1.0
SETTLED, TOO_FAR, SLOW = 1e-18, 1e-8, 0.02
"""A search ends with the step that gains less than the first in twice the log likelihood, unless another end is asked for;
one whose last step gained more than the second, and more than was asked, is searched again with a curvature of its own.
That is worked out anew where a step gains more than `SLOW` of what the one before it gained."""
STEPS, HALVINGS = 50, 30
THIN_TO = 10_000


@dataclass(frozen=True)
class LeftOut:
    """Coefficients without each fold, one column a fold, the intercept last; `told` is false where one outcome was left."""

    coefficients: Numbers
    told: NDArray[np.bool_]


@dataclass(frozen=True)
class _Count:
    """How many were tried and how many came of each row, one column a fit; `linear` is the rows times coefficients b."""

    rows: Joined
    tried: Numbers
    came: Numbers

    def linear(self, b: Numbers) -> Numbers:
        return product(self.rows, b)

    def slope(self, b: Numbers, linear: Numbers) -> Numbers:
        return crossed(self.rows, self.came - self.tried * _chance(linear)) - _ridge(self.rows)[:, None] * b

    def loss(self, b: Numbers, linear: Numbers) -> Numbers:
        told = (self.tried * np.logaddexp(0, linear) - self.came * linear).sum(axis=0)
        return told + 0.5 * (_ridge(self.rows)[:, None] * b**2).sum(axis=0)

    def bend(self, linear: Numbers) -> Numbers:
        """The curvature of a single fit."""
        p = _chance(linear[:, 0])
        return squared(self.rows, self.tried[:, 0] * p * (1 - p)) + np.diag(_ridge(self.rows))


def left_out_logistic(x: Floats, tried: Floats, came: Floats, settled: float = SETTLED) -> LeftOut:
    """Penalised maximum likelihood (ridge 1 on every coefficient but the intercept) of what is outside each fold.

    The curvature of each is that at the fit of all, less its own fold's: every search is a few steps of slopes. Where
    that does not lead to the top the fit has a search of its own. Source: P. McCullagh & J. A. Nelder 1989, Generalized
    Linear Models, 2nd ed., ch. 4.

    Parameters
    ----------
    x
        Covariates, one row a bleed or kind of bleed, one column a covariate; float32 or float64, finite.
    tried
        How many bleeds each row stands for, one column a fold; 0 where none.
    came
        How many of them had the outcome, 0 to `tried`.
    settled
        A search ends with the step that gains less than this in twice the log likelihood.
    """
    rows = Joined(x, beside=np.ones((len(x), 1), dtype=x.dtype))
    left = _Count(rows, tried.sum(axis=1, keepdims=True) - tried, came.sum(axis=1, keepdims=True) - came)
    told = (left.came.sum(axis=0) > 0) & (left.came.sum(axis=0) < left.tried.sum(axis=0))
    b = np.zeros((rows.shape[1], tried.shape[1]))
    if not told.any():
        return LeftOut(b, told)
    kept = np.flatnonzero(told)
    b[:, kept] = _of_all(rows, tried.sum(axis=1, keepdims=True), came.sum(axis=1, keepdims=True), settled)
    count = _Count(rows, left.tried[:, kept], left.came[:, kept])
    at = _at(count, b[:, kept])
    ends = _searched(at, count, _bends(rows, tried, at.linear[:, 0], kept), settled)
    b[:, kept] = ends.b
    for k in kept[ends.gain > max(TOO_FAR, settled)]:
        b[:, [k]] = _newton(_Count(rows, left.tried[:, [k]], left.came[:, [k]]), b[:, [k]], settled)
    return LeftOut(b, told)


def log_odds(x: Floats, found: Sequence[LeftOut], fold: NDArray[np.int64]) -> Iterator[tuple[slice, Numbers]]:
    """Log odds by fits without a row's own fold, chunk after chunk; minus infinity where none was told.

    Parameters
    ----------
    x
        As the fits had it, one row a bleed.
    found
        The fits.
    fold
        Each row's fold, from 0.

    Yields
    ------
    slice, ndarray
        Where a chunk's rows stand, and their log odds, one column a fit.
    """
    rows = Joined(x, beside=np.ones((len(x), 1), dtype=x.dtype))
    told = np.stack([one.told for one in found], axis=1)
    for part, linear in products(rows, np.hstack([one.coefficients for one in found])):
        mine = fold[part]
        own = np.take_along_axis(linear.reshape(len(mine), len(found), -1), mine[:, None, None], axis=2)[:, :, 0]
        yield part, np.where(told[mine], own, -np.inf)


def _bends(rows: Joined, tried: Floats, linear: Numbers, kept: NDArray[np.intp]) -> Numbers:
    """The inverse curvature without each of the kept folds, at the fit of all."""
    p = _chance(linear)
    own = np.zeros((tried.shape[1], rows.shape[1], rows.shape[1]))
    for k in range(tried.shape[1]):
        mine = tried[:, k] > 0
        own[k] = squared(rows[mine], (tried[:, k] * p * (1 - p))[mine])
    return np.asarray(np.linalg.inv(own.sum(axis=0) + np.diag(_ridge(rows)) - own[kept]))


def _of_all(rows: Joined, tried: Numbers, came: Numbers, settled: float) -> Numbers:
    """The fit of all rows, from their usual chance; of many, from where the fit of a part of them ended."""
    began = np.zeros((rows.shape[1], 1))
    began[-1] = np.log(came.sum() / (tried.sum() - came.sum()))
    every = len(rows) // THIN_TO
    if every > 2 and 0 < came[::every].sum() < tried[::every].sum():
        began = _newton(_Count(rows[::every], tried[::every], came[::every]), began, settled)
    return _newton(_Count(rows, tried, came), began, settled)


@dataclass(frozen=True)
class _At:
    """Where searches are, one column a fit: coefficients, the rows times them, and what a step would gain."""

    b: Numbers
    linear: Numbers
    gain: Numbers


def _at(count: _Count, b: Numbers) -> _At:
    return _At(b, count.linear(b), np.full(b.shape[1], np.inf))


def _newton(count: _Count, b: Numbers, settled: float) -> Numbers:
    """One fit by Newton's method, its curvature worked out anew where steps of the last one have become slow."""
    at, last = _at(count, b), np.inf
    for _ in range(STEPS):
        at = _searched(at, count, np.asarray(np.linalg.inv(count.bend(at.linear)))[None], settled, SLOW)
        gain = float(at.gain[0])
        if gain < settled or (gain < TOO_FAR and gain > SLOW * last):
            break
        last = gain
    return at.b


def _searched(at: _At, count: _Count, inverses: Numbers, settled: float, slow: float = 1.0) -> _At:
    """Steps of a curvature that stays, one a fit, halved where a loss would rise, while they gain less and less."""
    last = np.inf
    for _ in range(STEPS):
        score = count.slope(at.b, at.linear)
        step = np.einsum("kij,jk->ik", inverses, score)
        gain = (step * score).sum(axis=0)
        if gain.max() < settled or gain.max() > slow * last:
            return _At(at.b, at.linear, gain)
        at, last = _moved(at, step, count, careful=bool(gain.max() > 1)), float(gain.max())
    return at


def _moved(at: _At, step: Numbers, count: _Count, *, careful: bool) -> _At:
    """A step on, halved where a loss would rise if `careful`."""
    new = _at(count, at.b + step)
    if not careful:
        return new
    before = count.loss(at.b, at.linear)
    for _ in range(HALVINGS):
        worse = count.loss(new.b, new.linear) > before + 1e-6 * (1 + np.abs(before))
        if not worse.any():
            break
        step = np.where(worse, step / 2, step)
        new = _at(count, at.b + step)
    return new


def _chance(linear: Numbers) -> Numbers:
    from scipy import special

    return np.asarray(special.expit(linear))


def _ridge(rows: Joined) -> Numbers:
    return np.append(np.full(rows.shape[1] - 1, RIDGE), 0.0)
