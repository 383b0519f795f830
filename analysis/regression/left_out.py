"""Ridge logistic regressions fitted without one fold after another; all of them begin where the fit of all rows ended."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.regression.matrices import Floats, Joined, crossed, product, squared

Numbers = NDArray[np.float64]
RIDGE = 1.0
SETTLED, TOO_FAR = 1e-18, 1e-8
"""A search ends with the step that gains less than the first in twice the log likelihood, unless another end is asked for;
one whose last step gained more than the second is searched again with a curvature of its own."""
STEPS, HALVINGS = 50, 30
THIN_TO = 10_000


@dataclass(frozen=True)
class LeftOut:
    """Coefficients without each fold, one column a fold, the intercept last; `told` is false where one outcome was left."""

    coefficients: Numbers
    told: NDArray[np.bool_]


@dataclass(frozen=True)
class _Count:
    """How many were tried and how many came of each row, one column a fit."""

    rows: Joined
    tried: Numbers
    came: Numbers

    def slope(self, b: Numbers) -> Numbers:
        told = crossed(self.rows, self.came - self.tried * _chance(product(self.rows, b)))
        return told - _ridge(self.rows)[:, None] * b

    def loss(self, b: Numbers) -> Numbers:
        linear = product(self.rows, b)
        told = (self.tried * np.logaddexp(0, linear) - self.came * linear).sum(axis=0)
        return told + 0.5 * (_ridge(self.rows)[:, None] * b**2).sum(axis=0)

    def bend(self, b: Numbers) -> Numbers:
        """The curvature of a single fit."""
        p = _chance(product(self.rows, b)[:, 0])
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
    ends = _searched(b[:, kept], count, _bends(rows, tried, b, kept), settled)
    b[:, kept] = ends.b
    for k in kept[ends.gain > TOO_FAR]:
        b[:, [k]] = _newton(_Count(rows, left.tried[:, [k]], left.came[:, [k]]), b[:, [k]], settled)
    return LeftOut(b, told)


def log_odds(x: Floats, found: LeftOut, fold: NDArray[np.int64]) -> Numbers:
    """Each row's log odds by the fit without its own fold; minus infinity where none was told.

    Parameters
    ----------
    x
        As the fits had it, one row a bleed.
    found
        The fits.
    fold
        Each row's fold, from 0.
    """
    rows = Joined(x, beside=np.ones((len(x), 1), dtype=x.dtype))
    linear = np.take_along_axis(product(rows, found.coefficients), fold[:, None], axis=1)[:, 0]
    return np.where(found.told[fold], linear, -np.inf)


def _bends(rows: Joined, tried: Floats, b: Numbers, kept: NDArray[np.intp]) -> Numbers:
    """The inverse curvature without each of the kept folds, at the fit of all."""
    p = _chance(product(rows, b[:, kept[0]]))
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


def _newton(count: _Count, b: Numbers, settled: float) -> Numbers:
    """One fit by Newton's method, its curvature worked out anew every other step until it no longer changes."""
    for _ in range(STEPS):
        bend = count.bend(b)
        moved = _searched(b, count, np.asarray(np.linalg.inv(bend))[None], settled, steps=2).b
        step, b = (moved - b)[:, 0], moved
        if float(step @ bend @ step) < 1e-2:
            break
    return _searched(b, count, np.asarray(np.linalg.inv(count.bend(b)))[None], settled).b


@dataclass(frozen=True)
class _Ends:
    """Where searches ended, one column a fit, and what the last step of each would have gained."""

    b: Numbers
    gain: Numbers


def _searched(b: Numbers, count: _Count, inverses: Numbers, settled: float, steps: int = STEPS) -> _Ends:
    """Steps of a curvature that stays, one a fit, halved where a loss would rise."""
    gain, last = np.full(b.shape[1], np.inf), np.inf
    for _ in range(steps):
        score = count.slope(b)
        step = np.einsum("kij,jk->ik", inverses, score)
        gain = (step * score).sum(axis=0)
        if gain.max() < settled or gain.max() > last:
            break
        b, last = _downhill(b, step, count) if gain.max() > 1 else b + step, float(gain.max())
    return _Ends(b, gain)


def _downhill(b: Numbers, step: Numbers, count: _Count) -> Numbers:
    before = count.loss(b)
    for _ in range(HALVINGS):
        worse = count.loss(b + step) > before + 1e-6 * (1 + np.abs(before))
        if not worse.any():
            break
        step = np.where(worse, step / 2, step)
    return b + step


def _chance(linear: Numbers) -> Numbers:
    from scipy import special

    return np.asarray(special.expit(linear))


def _ridge(rows: Joined) -> Numbers:
    return np.append(np.full(rows.shape[1] - 1, RIDGE), 0.0)
