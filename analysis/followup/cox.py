"""Proportional hazards with a free baseline: exact partial likelihood (Breslow ties) on whole days, Newton steps, ridges.

A risk set is a sum over later days, so that one pass over the rows gives the likelihood and its slope, and another, dearer
one its curvature, which is worked out anew only where it has changed. Source: D. R. Cox 1972, J. R. Stat. Soc. B
34:187-220; N. Breslow 1974, Biometrics 30:89-99.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.followup.beginning import Beginning
from analysis.followup.return_model import ReturnModel, up_to
from analysis.followup.ridge import Block, first_penalties, inverse, top_of
from analysis.followup.risk_sets import Follow, earlier_sums, follow_of, later_sums
from analysis.regression import Base, Below, Floats, Joined, Matrix, crossed, product, squared, summed

Numbers = NDArray[np.float64]
CONVERGED, CONVERGED_IN_SINGLE = 1e-20, 1e-9
"""The search ends where a step would gain less than this in twice the log likelihood (a ten-thousand-millionth of a
standard error; a thirty-thousandth where covariates are in single precision, whose rounding hides the rest), or no less
than the one before it gained."""
SINGLE_FROM = 10_000
"""Covariates of more bleeds than this are to be in single precision, less their means: what is lost is in the seventh
figure."""
NEAR, SLOW = 1e-7, 0.02
"""Curvature is worked out anew while a step gains more than `SLOW` of what the one before it gained, and where steps gain
less than `NEAR`: from there it is the curvature at the top."""
FAR = 10.0
"""While a step at ridges held gains more than this in twice the log likelihood the parabola there is no guide to ridges."""
NEWTON_STEPS, HALVINGS = 80, 30
THIN_TO = 12_000
"""Bleeds that a search of many more begins with, spread evenly over the log."""


def fit_returns(
    x: Matrix, follow: Follow, blocks: list[Block], offset: Numbers | None = None, began: Beginning | None = None
) -> ReturnModel:
    """Fit by Newton's method; pooled blocks' ridges settle at every step on the likelihood's parabola there, once near.

    Parameters
    ----------
    x
        One row a bleed, one column a covariate, centred; float32 or float64.
    follow
        `follow_of(days, returned)`; strata have baselines of their own.
    blocks
        Ridges; columns in no block are free. A pooled block's strength is estimated (`ridge.top_of`).
    offset
        Added to x·b, one a row.
    began
        Where the search begins; it ends at the same place wherever it begins.

    Raises
    ------
    ValueError
        No return at all, or a column that is not finite.
    """
    if not follow.returned.any():
        raise ValueError("follow: at least one return is needed, got none; ask for raw rates instead")
    if not np.isfinite(crossed(x, np.ones(len(x)))).all():
        raise ValueError("x: every covariate must be finite, got NaN or infinity; fill what was not recorded")
    rows = _Rows(x, follow, offset)
    began = Beginning(_thin_fit(rows, blocks)) if began is None else began
    b, penalties = began.coefficients, first_penalties(blocks, x.shape[1])
    slope = _slope(rows, b)
    bend = _bend(rows, slope) if began.information is None else _Bend(began.information)
    last, at_top = np.inf, False
    converged = CONVERGED_IN_SINGLE if x.dtype == np.float32 else CONVERGED
    for _ in range(NEWTON_STEPS):
        step, near = _held_step(bend, slope, b, penalties)
        if near:
            top = top_of(bend.information, slope.score + bend.information @ b, blocks, penalties)
            penalties, step = top.penalties, top.coefficients - b
        gain = float(step @ (bend.information + np.diag(penalties)) @ step)
        if at_top and (gain < converged or gain > last):
            break
        b, slope = _damped(rows, b, step, penalties, slope)
        arrived = gain < NEAR and not at_top
        if arrived or gain > max(NEAR, 0.0 if at_top else SLOW * last):
            at_top, bend = gain < NEAR, _bend(rows, slope)
        last = np.inf if arrived else gain
    bend = bend if at_top else _bend(rows, slope)
    covariance = inverse(bend.information + np.diag(penalties))
    edf = x.shape[1] - float((penalties * np.diag(covariance)).sum())
    hazard = follow.returns / slope.s0
    return ReturnModel(
        b,
        bend.information,
        covariance,
        penalties,
        edf,
        slope.log_likelihood,
        hazard,
        slope.linear,
        follow,
        bend.means,
        slope.s0,
    )


def baseline(linear: Numbers, follow: Follow, days: NDArray[np.int64]) -> Numbers:
    """Breslow's cumulative hazard up to and with each of `days`, for a row of log hazard 0, where log hazards are known.

    Parameters
    ----------
    linear
        Each row's log hazard.
    follow
        Of one stratum.
    days
        Whole days, 0 or more.
    """
    s0 = later_sums(np.bincount(follow.place, np.exp(linear), len(follow.starts)).astype(float), follow)
    return up_to(days, follow.returns / s0, follow.distinct)


def _thin_fit(rows: _Rows, blocks: list[Block]) -> Numbers:
    """Where a search begins of which nothing is known: of many bleeds the place where the search of a part ends."""
    x, follow = rows.x, rows.follow
    every = len(x) // THIN_TO
    if every < 3 or isinstance(x, Below) or len(follow.strata) > 1 or not follow.returned[::every].any():
        return np.zeros(x.shape[1])
    thin = follow_of(follow.days[::every], follow.returned[::every])
    offset = None if rows.offset is None else rows.offset[::every]
    return fit_returns(_thinned(x, every), thin, blocks, offset).coefficients


def _thinned(x: Base | Joined, every: int) -> Floats | Joined:
    if isinstance(x, Joined):
        return Joined(x.base[::every].astype(float), x.kept, None if x.beside is None else x.beside[::every])
    return x[::every].astype(float)


@dataclass(frozen=True)
class _Rows:
    """The covariates, the follow-up and what is added to x·b."""

    x: Matrix
    follow: Follow
    offset: Numbers | None


@dataclass(frozen=True)
class _Slope:
    """The likelihood at a place, its score, each row's `linear`, and the risk set's sum on each day."""

    log_likelihood: float
    score: Numbers
    linear: Numbers
    s0: Numbers


@dataclass(frozen=True)
class _Bend:
    """The likelihood's curvature at a place, and the mean covariates of those at risk on each day."""

    information: Numbers
    means: Numbers = field(default_factory=lambda: np.zeros((0, 0)))


def _slope(rows: _Rows, b: Numbers) -> _Slope:
    follow = rows.follow
    linear = product(rows.x, b)
    if rows.offset is not None:
        linear += rows.offset
    w = np.exp(linear)
    s0 = later_sums(np.bincount(follow.place, w, len(follow.starts)).astype(float), follow)
    hazard = earlier_sums(follow.returns / s0, follow)
    score = crossed(rows.x, follow.returned - w * hazard[follow.place])
    log_likelihood = float(linear[follow.returned].sum() - follow.returns @ np.log(s0))
    return _Slope(log_likelihood, score, linear, s0)


def _bend(rows: _Rows, slope: _Slope) -> _Bend:
    """Information Σ w H x x' − Σ x̄ x̄' dN."""
    x, follow = rows.x, rows.follow
    w = np.exp(slope.linear)
    exposed = w * earlier_sums(follow.returns / slope.s0, follow)[follow.place]
    by_day = summed(x, follow.place, len(follow.starts), w)
    means = later_sums(by_day, follow) / slope.s0[:, None]
    return _Bend(squared(x, exposed) - (means * follow.returns[:, None]).T @ means, means)


def _held_step(bend: _Bend, slope: _Slope, b: Numbers, penalties: Numbers) -> tuple[Numbers, bool]:
    """The Newton step with ridges as they are, and whether it ends near enough for ridges to be settled."""
    downhill = slope.score - penalties * b
    step = inverse(bend.information + np.diag(penalties)) @ downhill
    return step, float(step @ downhill) < FAR


def _damped(rows: _Rows, b: Numbers, step: Numbers, penalties: Numbers, slope: _Slope) -> tuple[Numbers, _Slope]:
    """The Newton step, halved until the penalised likelihood does not fall."""
    before = slope.log_likelihood - 0.5 * penalties @ b**2
    for _ in range(HALVINGS):
        moved = b + step
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            new = _slope(rows, moved)
        after = new.log_likelihood - 0.5 * penalties @ moved**2
        if np.isfinite(after) and after >= before - 1e-7 * (1 + abs(before)):
            return moved, new
        step = step / 2
    return b, slope
