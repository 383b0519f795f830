"""Models of the work alone, fitted without one fold after another; each begins where the fit of all ended.

Bleeds of the same kind of work have the same risk, so everything is worked out for each kind and day and never for
each bleed: what a pass costs is a sparse product, however many folds there are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.rates.work import Cells, Numbers

RIDGE = 1.0
NEAR = 1e-5
NEWTON_STEPS, HALVINGS = 60, 30


@dataclass(frozen=True)
class _State:
    """A penalised likelihood at one place: its value, slope and curvature."""

    likelihood: float
    score: Numbers
    information: Numbers


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
        information = (x * (n * p * (1 - p))[:, None]).T @ x + np.diag(penalties)
        return _State(likelihood, x.T @ (y - n * p) - penalties * b, information)

    return state


def left_out_returns(
    cells: Cells, fold: NDArray[np.int64], days: NDArray[np.int64], returned: NDArray[np.bool_]
) -> Numbers:
    """Each bleed's cumulative hazard over its own days, by a ridge proportional-hazards model of the other folds.

    Exact partial likelihood, Breslow ties, baseline free; a fold without which nothing came back is judged by all.

    Parameters
    ----------
    cells
        Kinds of work.
    fold
        Each bleed's fold, from 0.
    days
        Days at risk.
    returned
        Whether they ended in a return.
    """
    risk_sets = _RiskSets(cells, fold, days, returned)
    began = _fitted(risk_sets.without(None), np.zeros(cells.x.shape[1]))
    risk_sets.remember(began)
    hazard = np.empty(len(days))
    for k in range(risk_sets.folds):
        own = fold == k
        left = k if risk_sets.returns.sum() > risk_sets.returns[k].sum() else None
        b = _fitted(risk_sets.without(left), began)
        cumulative = np.cumsum(risk_sets.baseline(b, left))
        hazard[own] = cumulative[risk_sets.day[own]] * np.exp(cells.x @ b)[cells.place[own]]
    return hazard


class _RiskSets:
    """How many bleeds of each fold and kind of work ended on each day, as one sparse table of folds' days by kinds."""

    def __init__(
        self, cells: Cells, fold: NDArray[np.int64], days: NDArray[np.int64], returned: NDArray[np.bool_]
    ) -> None:
        from scipy.sparse import csr_array

        self.x, self.folds = cells.x, int(fold.max(initial=0)) + 1
        distinct, self.day = np.unique(days, return_inverse=True)
        self.many, size = len(distinct), len(cells.x)
        row = fold * self.many + self.day
        shape = (self.folds * self.many, size)
        self.ended = csr_array((np.ones(len(days)), (row, cells.place)), shape=shape)
        self.returns = np.bincount(row[returned], minlength=shape[0]).reshape(self.folds, self.many).astype(float)
        back = np.bincount(fold[returned] * size + cells.place[returned], minlength=self.folds * size)
        self.back = back.reshape(self.folds, size).astype(float)
        self.began, self.sums_there = np.zeros(0), np.zeros(0)

    def _rest(self, by_fold: Numbers, left: int | None) -> Numbers:
        """The sum over folds but one."""
        return by_fold.sum(axis=0) - (0.0 if left is None else by_fold[left])

    def remember(self, b: Numbers) -> None:
        """Work out every fold's sums at a place where several fits begin."""
        self.began, self.sums_there = b, self._by_fold(self.ended, self._columns(b))

    def _columns(self, b: Numbers) -> Numbers:
        w = np.exp(self.x @ b)[:, None]
        return np.hstack([w, self.x * w])

    def _by_fold(self, rows: Any, columns: Numbers) -> Numbers:
        return (rows @ columns).reshape(-1, self.many, columns.shape[1])

    def _rows(self, left: int | None) -> list[Any]:
        """The table without one fold's days."""
        if left is None:
            return [self.ended]
        return [self.ended[: left * self.many], self.ended[(left + 1) * self.many :]]

    def _at_risk(self, rows: list[Any], columns: Numbers) -> Numbers:
        """Sums over each day's endings and all later ones."""
        by_day = sum(
            (self._by_fold(part, columns).sum(axis=0) for part in rows), np.zeros((self.many, columns.shape[1]))
        )
        return np.cumsum(by_day[::-1], axis=0)[::-1]

    def baseline(self, b: Numbers, left: int | None) -> Numbers:
        at_risk = self._at_risk(self._rows(left), np.exp(self.x @ b)[:, None])[:, 0]
        return np.divide(self._rest(self.returns, left), at_risk, out=np.zeros(self.many), where=at_risk > 0)

    def without(self, left: int | None) -> Callable[[Numbers], _State]:
        returns, back = self._rest(self.returns, left), self._rest(self.back, left)
        told, rows = returns > 0, self._rows(left)

        def state(b: Numbers) -> _State:
            linear, columns = self.x @ b, self._columns(b)
            if b is self.began:
                sums = np.cumsum(self._rest(self.sums_there, left)[::-1], axis=0)[::-1]
            else:
                sums = self._at_risk(rows, columns)
            s0 = np.where(told, sums[:, 0], 1.0)
            means = np.where(told[:, None], sums[:, 1:] / s0[:, None], 0.0)
            weight = columns[:, 0] * self._exposed(np.cumsum(returns / s0), left)
            information = (self.x * weight[:, None]).T @ self.x - (means * returns[:, None]).T @ means
            likelihood = float(back @ linear - returns @ np.log(s0) - 0.5 * RIDGE * b @ b)
            score = back @ self.x - returns @ means - RIDGE * b
            return _State(likelihood, score, information + RIDGE * np.eye(len(b)))

        return state

    def _exposed(self, cumulative: Numbers, left: int | None) -> Numbers:
        """Each kind of work's cumulative hazard over its bleeds' days, in every fold but one."""
        by_row = np.tile(cumulative, (self.folds, 1))
        if left is not None:
            by_row[left] = 0.0
        return np.asarray(self.ended.T @ by_row.ravel())


def _fitted(state_at: Callable[[Numbers], _State], began: Numbers) -> Numbers:
    """Where the likelihood is highest, by Newton's method, a step halved until the likelihood does not fall.

    Near the top each step squares the error: one below `NEAR` leaves less than 1e-10.
    """
    b, now = began, state_at(began)
    for _ in range(NEWTON_STEPS if len(began) else 0):
        step = np.linalg.solve(now.information, now.score)
        if np.abs(step).max() < NEAR:
            return b + step
        for _ in range(HALVINGS):
            new = state_at(b + step)
            if new.likelihood >= now.likelihood - 1e-9 * (1 + abs(now.likelihood)):
                break
            step = step / 2
        b, now = b + step, new
    return b
