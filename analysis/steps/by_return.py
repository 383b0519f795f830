"""Layer 1, by return: what the shop would be spared if nobody missed a step, by g-computation on the return model."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.followup import ReturnModel, beginning_near, by_cluster, fit_returns, follow_of
from analysis.prepared import Prepared
from analysis.regression import Floats, crossed_parts, parts_of, squared
from analysis.steps.design import Design

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class ByReturn:
    """Spared comebacks per 100 bleeds, one a step of the design, with standard errors, and what they were got from.

    `exposure` is each bleed's baseline cumulative hazard up to the window or the brake's next bleed.
    """

    spared: Numbers
    sd: Numbers
    model: ReturnModel
    exposure: Numbers = field(repr=False)
    moves: _Moves = field(repr=False)

    @cached_property
    def covariance(self) -> Numbers:
        """That of every step's coefficient, then of what is spared, then of the log of the risk mass of those who missed a
        step, had they met it."""
        steps = len(self.spared)
        met_gradient = _met_gradient(self.moves.design, self.model, self.exposure)
        coefficients = np.eye(len(self.model.coefficients))[:, :steps]
        moved, log_hazard = self.moves.of([coefficients, self.moves.spared.gradient.T, met_gradient.T])
        moved[:, steps : 2 * steps] += log_hazard * self.moves.spared.by_hazard
        moved[:, 2 * steps :] += log_hazard
        return squared(moved)


def by_return(prepared: Prepared, design: Design) -> ByReturn:
    """Layer 1 over the whole follow-up: `spared_by` of `return_model`."""
    return spared_by(prepared, design, return_model(prepared, design))


def return_model(
    prepared: Prepared, design: Design, horizon_days: int | None = None, near: ReturnModel | None = None
) -> ReturnModel:
    """The time-to-return model of the design.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    design
        Its design.
    horizon_days
        Follow up no longer than this (the window: an early-only fit); unlimited unless given.
    near
        That of another horizon, near which the search begins.

    Raises
    ------
    ValueError
        Nobody came back within the horizon.
    """
    follow = follow_of(*course_of(prepared.bleeds, horizon_days))
    began = None if near is None else beginning_near(near, int(follow.returned.sum()))
    return fit_returns(design.x, follow, list(design.blocks), began=began)


def spared_by(prepared: Prepared, design: Design, model: ReturnModel) -> ByReturn:
    """Layer 1, by a model of the design.

    Estimand: 100 × mean over all accepted bleeds of risk less risk had the step been met, within the window and before
    the brake's next bleed; recorded misses are set to met, not-recorded ones stay. Standard errors by the infinitesimal
    jackknife, clustered by bike, delta method over coefficients and baseline.

    Parameters
    ----------
    prepared
        All accepted bleeds.
    design
        Its design.
    model
        Its model, of whatever horizon reaches the window.
    """
    exposure = exposure_of(prepared, model)
    found = _spared(design, model, exposure)
    moves = _Moves(design, model, level_of(model, prepared.window_days), found)
    moved, log_hazard = moves.of([found.gradient.T])
    moved += log_hazard * found.by_hazard
    return ByReturn(found.spared, np.sqrt((moved**2).sum(axis=0, dtype=float)), model, exposure, moves)


def exposure_of(prepared: Prepared, model: ReturnModel) -> Numbers:
    """Baseline cumulative hazard up to the window or the brake's next bleed, whichever is first, one a bleed.

    Where a young bleed's next one cannot have come yet, its expected value over the gaps of the others
    (Kaplan-Meier of the gaps, given that the gap is longer than the bleed is old).
    """
    window = prepared.window_days
    gap = prepared.bleeds.get_column("next_bleed_days").cast(pl.Float64).fill_null(np.inf).to_numpy()
    age = prepared.bleeds.get_column("age_days").to_numpy()
    known = np.minimum(gap, window)
    exposure = model.cumulative(known.astype(np.int64))
    young = (age < window) & ~np.isfinite(gap)
    if young.any():
        expected = _expected_after(model, np.minimum(gap, age), np.isfinite(gap) & (gap <= age), window)
        exposure[young] = expected[age[young]]
    return exposure


def course_of(bleeds: pl.DataFrame, horizon_days: int | None = None) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Days at risk and whether they ended in a return, followed no longer than the horizon."""
    days = bleeds.get_column("days_at_risk").to_numpy()
    returned = (bleeds.get_column("end") == "return").to_numpy()
    if horizon_days is None:
        return days, returned
    return np.minimum(days, horizon_days), returned & (days <= horizon_days)


def widening(model: ReturnModel) -> float:
    """For the columns spent: sqrt(E / (E − edf)), E the returns."""
    events = float(model.follow.returned.sum())
    return float(np.sqrt(events / max(events - model.edf, 0.25 * events)))


@dataclass(frozen=True)
class Level:
    """How a row moves the log of the baseline cumulative hazard at the window: `direct` less what it moves the
    coefficients by `along`, over the hazard's `total`."""

    along: Numbers
    direct: Numbers = field(repr=False)
    total: float


def level_of(model: ReturnModel, window: int) -> Level:
    """What the baseline's level at the window, days, owes to each row."""
    follow, hazard = model.follow, model.hazard
    within = follow.distinct <= window
    along = (model.means * (hazard * within)[:, None]).sum(axis=0)
    term = np.cumsum(np.where(within, follow.returns / model.risk**2, 0.0))
    e = follow.returned & (follow.days <= window)
    direct = np.where(e, 1 / model.risk[follow.place], 0.0) - np.exp(model.linear) * term[follow.place]
    return Level(along, direct, max(float((hazard * within).sum()), 1e-12))


@dataclass(frozen=True)
class _Spared:
    """Spared per 100 by step, its gradient in the coefficients and in the log of the baseline."""

    spared: Numbers
    gradient: Numbers
    by_hazard: Numbers


@dataclass(frozen=True)
class _Moves:
    """How much each bike moves what is reckoned from a model of the design."""

    design: Design
    model: ReturnModel
    level: Level
    spared: _Spared

    def of(self, along: list[Numbers]) -> tuple[Floats, Numbers]:
        """A row a bike: figures of these gradients in the coefficients, a column each; and the log of the baseline, one
        column."""
        bike, level, model = self.design.bike, self.level, self.model
        moved = by_cluster(self.design.x, model, np.hstack([*along, level.along[:, None]]), bike)
        moved *= widening(model)
        direct = np.bincount(bike, level.direct)[:, None] * widening(model)
        return moved[:, :-1], (direct - moved[:, -1:]) / level.total


def _spared(design: Design, model: ReturnModel, exposure: Numbers) -> _Spared:
    steps = design.size
    n, places = len(exposure), np.arange(steps)
    mass = exposure * np.exp(model.linear)
    less = np.exp(-model.coefficients[:steps])
    spared, direct, by_hazard = np.zeros(steps), np.zeros(steps), np.zeros(steps)

    def moved() -> Iterator[tuple[slice, Numbers]]:
        """How each bleed's spared risk moves with its log hazard."""
        for part in parts_of(n):
            missed, with_miss = design.missed[part], mass[part, None]
            without = with_miss * less
            slope_without = missed * without * np.exp(-without)
            own = missed * with_miss * np.exp(-with_miss) - slope_without
            spared[:] += (missed * (np.exp(-without) - np.exp(-with_miss))).sum(axis=0)
            direct[:] += slope_without.sum(axis=0)
            by_hazard[:] += own.sum(axis=0)
            yield part, own

    gradient = crossed_parts(design.x, moved()).T
    gradient[places, places] += direct
    return _Spared(100 / n * spared, 100 / n * gradient, 100 / n * by_hazard)


def _met_gradient(design: Design, model: ReturnModel, exposure: Numbers) -> Numbers:
    """How the log of the risk mass of those who missed a step, had they met it, moves with the coefficients: steps × p."""
    places = np.arange(design.size)
    mass = exposure * np.exp(model.linear)
    masses = np.zeros(design.size)

    def weighed() -> Iterator[tuple[slice, Numbers]]:
        for part in parts_of(len(mass)):
            own = design.missed[part] * mass[part, None]
            masses[:] += own.sum(axis=0)
            yield part, own

    gradient = crossed_parts(design.x, weighed()).T
    gradient[places, places] -= masses
    return np.asarray(gradient / np.maximum(masses, 1e-300)[:, None])


def _expected_after(model: ReturnModel, days: Numbers, ended: NDArray[np.bool_], window: int) -> Numbers:
    """For each age below the window: the mean exposure given that no next bleed came by that age."""
    days = np.minimum(days, window).astype(np.int64)
    ended = ended & (days < window)
    leaving = np.bincount(days, minlength=window + 1)
    at_risk = leaving[::-1].cumsum()[::-1]
    ends = np.bincount(days[ended], minlength=window + 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        stay = np.where(at_risk > 0, 1 - ends / at_risk, 1.0)
    survival = np.cumprod(stay)
    grid = model.cumulative(np.arange(window + 1))
    share = np.concatenate([[0.0], survival[:-1]]) - survival
    share[0] = 1 - survival[0]
    tail = np.cumsum((share * grid)[::-1])[::-1]
    later = np.concatenate([tail[1:], [0.0]]) + survival[-1] * grid[window]
    return np.where(survival > 0, later / np.maximum(survival, 1e-12), grid[window])
