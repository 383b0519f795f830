"""Models of the work alone, fitted without one fold after another; each begins where the fit of all ended.

Bleeds of the same kind of work have the same risk, so everything is worked out for each kind and never for each bleed:
what a pass costs does not grow with the log.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.rates.work import Cells, Numbers

RIDGE = 1.0
NEAR, FAR, SLOW = 1e-10, 0.3, 0.2
"""A step below the first ends a search; the curvature is worked out anew after one above the second, or above this share
of the step before it."""
NEWTON_STEPS, HALVINGS = 60, 30


@dataclass(frozen=True)
class _State:
    """A penalised likelihood at one place: its value and slope, and its curvature for whoever asks."""

    likelihood: float
    score: Numbers
    information: Callable[[], Numbers] = field(repr=False)


def left_out_risk(cells: Cells, fold: NDArray[np.int64], counted: Numbers, back: Numbers) -> Numbers:
    """Each bleed's chance to come back by a ridge logistic regression on the counted bleeds of the other folds.

    Parameters
    ----------
    cells
        Kinds of work.
    fold
        Each bleed's fold, from 0.
    counted, back
        Whether each bleed counts, and whether it came back, 0 or 1.
    """
    size, folds = len(cells.x), int(fold.max(initial=0)) + 1
    at = fold * size + cells.place
    tried = np.bincount(at, counted, folds * size).reshape(folds, size).astype(float)
    came = np.bincount(at, counted * back, folds * size).reshape(folds, size).astype(float)
    x = np.hstack([np.ones((size, 1)), cells.x])
    penalties = np.full(x.shape[1], RIDGE)
    penalties[0] = 0.0
    began, risk = np.zeros(x.shape[1]), np.empty((folds, size))
    for k, (n, y) in enumerate(_each_left_out(tried, came)):
        if not 0 < y.sum() < n.sum():
            risk[k] = y.sum() / max(n.sum(), 1)
            continue
        if not began.any():
            began = _fitted(_logistic(x, tried.sum(axis=0), came.sum(axis=0), penalties), began)
        risk[k] = 1 / (1 + np.exp(-x @ _fitted(_logistic(x, n, y, penalties), began)))
    return risk[fold, cells.place]


def _each_left_out(tried: Numbers, came: Numbers) -> Iterator[tuple[Numbers, Numbers]]:
    for own_tried, own_came in zip(tried, came, strict=True):
        yield tried.sum(axis=0) - own_tried, came.sum(axis=0) - own_came


def _logistic(x: Numbers, n: Numbers, y: Numbers, penalties: Numbers) -> Callable[[Numbers], _State]:
    seen = n > 0
    x, n, y = x[seen], n[seen], y[seen]

    def state(b: Numbers) -> _State:
        linear = x @ b
        p = 1 / (1 + np.exp(-linear))
        likelihood = float(y @ linear - n @ np.logaddexp(0, linear) - 0.5 * penalties @ b**2)

        def information() -> Numbers:
            return (x * (n * p * (1 - p))[:, None]).T @ x + np.diag(penalties)

        return _State(likelihood, x.T @ (y - n * p) - penalties * b, information)

    return state


def _fitted(state_at: Callable[[Numbers], _State], began: Numbers) -> Numbers:
    """Where the likelihood is highest, by Newton's method, a step halved until the likelihood does not fall.

    The curvature stays while each step is much smaller than the one before it.
    """
    b, now, last = began, state_at(began), np.inf
    information = now.information()
    for _ in range(NEWTON_STEPS if len(began) else 0):
        step = np.linalg.solve(information, now.score)
        size = float(np.abs(step).max())
        if size < NEAR:
            return b + step
        for _ in range(HALVINGS):
            new = state_at(b + step)
            if new.likelihood >= now.likelihood - 1e-9 * (1 + abs(now.likelihood)):
                break
            step = step / 2
        b, now = b + step, new
        if size > SLOW * last or size > FAR:
            information = now.information()
        last = size
    return b
