"""Ridge logistic regressions fitted without one fold after another; all of them begin where the fit of all rows ended."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.followup import Joined, crossed, product, squared

Numbers = NDArray[np.float64]
Floats = NDArray[np.floating]
RIDGE = 1.0
SETTLED = 1e-9
STEPS, HALVINGS = 50, 30
THIN_TO = 10_000


@dataclass(frozen=True)
class LeftOut:
    """Coefficients without each fold, one column a fold, the intercept last; `told` is false where one class was left."""

    coefficients: Numbers
    told: NDArray[np.bool_]


def left_out_logistic(x: Floats, y: Numbers, fold: NDArray[np.int64], folds: int) -> LeftOut:
    """Penalised maximum likelihood (ridge 1 on every coefficient but the intercept) of the rows outside each fold.

    The curvature of each is that at the fit of all rows, less its own fold's: every search is a few steps of slopes.

    Parameters
    ----------
    x
        Covariates, one row a bleed.
    y
        0 or 1.
    fold
        From 0 to folds − 1.
    folds
        How many.
    """
    rows = Joined(x, beside=np.ones((len(x), 1), dtype=x.dtype))
    sizes, ones = np.bincount(fold, minlength=folds), np.bincount(fold, y, folds)
    told = (y.sum() > ones) & (y.sum() - ones < len(y) - sizes)
    if not told.any():
        return LeftOut(np.zeros((rows.shape[1], folds)), told)
    every = max(len(x) // THIN_TO, 1)
    began = np.zeros(rows.shape[1])
    if every > 2 and 0 < y[::every].sum() < len(y[::every]):
        began = _of_all(rows[::every], y[::every], began)
    whole = _of_all(rows, y, began)
    p = _chance(product(rows, whole))
    own = [squared(rows[fold == k], (p * (1 - p))[fold == k]) for k in range(folds)]
    bends = np.linalg.inv(sum(own, _ridge(rows)) - np.array(own))
    b = np.repeat(whole[:, None], folds, axis=1)
    inside = fold[:, None] != np.arange(folds)
    kept = np.flatnonzero(told)

    def slope(b: Numbers) -> Numbers:
        return crossed(rows, inside[:, kept] * (y[:, None] - _chance(product(rows, b)))) - _ridge(rows) @ b

    def loss(b: Numbers) -> Numbers:
        linear = product(rows, b)
        return (inside[:, kept] * (np.logaddexp(0, linear) - y[:, None] * linear)).sum(axis=0) + _size(rows, b)

    b[:, kept] = _searched(b[:, kept], slope, loss, bends[kept])
    return LeftOut(b, told)


def log_odds(x: Floats, found: LeftOut, fold: NDArray[np.int64]) -> Numbers:
    """Each row's log odds by the fit without its own fold; minus infinity where none was told."""
    rows = Joined(x, beside=np.ones((len(x), 1), dtype=x.dtype))
    linear = np.take_along_axis(product(rows, found.coefficients), fold[:, None], axis=1)[:, 0]
    return np.where(found.told[fold], linear, -np.inf)


def _of_all(rows: Joined, y: Numbers, began: Numbers) -> Numbers:
    """Newton's method, curvature worked out at every step."""

    def slope(b: Numbers) -> Numbers:
        return crossed(rows, y[:, None] - _chance(product(rows, b))) - _ridge(rows) @ b

    def loss(b: Numbers) -> Numbers:
        linear = product(rows, b)
        return (np.logaddexp(0, linear) - y[:, None] * linear).sum(axis=0) + _size(rows, b)

    b = began[:, None]
    for _ in range(STEPS):
        p = _chance(product(rows, b)[:, 0])
        bend = np.linalg.inv(squared(rows, p * (1 - p)) + _ridge(rows))
        moved = _searched(b, slope, loss, bend[None], steps=2)
        step, b = moved - b, moved
        if float(step[:, 0] @ np.linalg.solve(bend, step[:, 0])) < 1e-2:
            break
    return _searched(b, slope, loss, bend[None])[:, 0]


def _searched(
    b: Numbers,
    slope: Callable[[Numbers], Numbers],
    loss: Callable[[Numbers], Numbers],
    inverses: Floats,
    steps: int = STEPS,
) -> Numbers:
    """Steps of a curvature that stays, one column a fit, halved where a loss would rise."""
    last = np.inf
    for _ in range(steps):
        score = slope(b)
        step = np.einsum("kij,jk->ik", inverses, score)
        gain = float((step * score).sum(axis=0).max())
        if gain < SETTLED or gain > last:
            break
        b, last = _downhill(b, step, loss) if gain > 1 else b + step, gain
    return b


def _downhill(b: Numbers, step: Numbers, loss: Callable[[Numbers], Numbers]) -> Numbers:
    before = loss(b)
    for _ in range(HALVINGS):
        worse = loss(b + step) > before + 1e-6 * (1 + np.abs(before))
        if not worse.any():
            break
        step = np.where(worse, step / 2, step)
    return b + step


def _chance(linear: Numbers) -> Numbers:
    from scipy import special

    return np.asarray(special.expit(linear))


def _ridge(rows: Joined) -> Numbers:
    return np.diag(np.append(np.full(rows.shape[1] - 1, RIDGE), 0.0))


def _size(rows: Joined, b: Numbers) -> Numbers:
    return 0.5 * (np.diag(_ridge(rows))[:, None] * b**2).sum(axis=0)
