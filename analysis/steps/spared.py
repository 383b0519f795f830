"""From drawn effects to comebacks spared: the risk of the missed, had they met the step, is itself estimated."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.followup import ReturnModel, beginning_near, by_cluster, fit_returns, follow_of
from analysis.prepared import Prepared
from analysis.regression import Floats, Joined, crossed, crossed_parts, parts_of, product, squared
from analysis.steps.by_return import course_of, exposure_of, level_of
from analysis.steps.design import Design

Numbers = NDArray[np.float64]
DEGREE, A_UNIT, MOST_MORE = 10, 3, 100
"""Of the polynomial that a sum of risks is along effects, more for each unit of log hazard that these span: a thousandth of
their spread at most is lost (the sum is smooth, and few bleeds' draws span much)."""


@dataclass(frozen=True)
class HadItBeenMet:
    """The nuisance refitted with the steps' effects held, and what its error does to each step's risk mass.

    `mass` is each bleed's cumulative hazard up to the window (or next bleed) at the held effects; `follows` how the log
    of a step's mass, had it been met, moves with the early effects; `rest` the covariance that is left.
    """

    mass: Numbers = field(repr=False)
    held: Numbers
    follows: Numbers = field(repr=False)
    rest: Numbers = field(repr=False)
    model: ReturnModel = field(repr=False)


def had_it_been_met(
    prepared: Prepared, design: Design, held: Numbers, early_rows: Floats, by_return: ReturnModel
) -> HadItBeenMet:
    """Refit everything but the steps, at their posterior means.

    Parameters
    ----------
    prepared, design
        All accepted bleeds and their design.
    held
        Effects of the early columns: steps, then not recorded.
    early_rows
        Each bike's influence on the observed early effects.
    by_return
        The design's model by return, near which the search begins.
    """
    kept = [*range(design.size), *design.unrecorded_columns]
    free = [i for i in range(design.x.shape[1]) if i not in set(kept)]
    window = prepared.window_days
    within = by_return.follow.days.max(initial=0) <= window
    follow = by_return.follow if within else follow_of(*course_of(prepared.bleeds, window))
    offset = product(Joined(design.x, tuple(kept)), held)
    z = Joined(design.x, tuple(free))
    began = beginning_near(by_return, int(follow.returned.sum()), free)
    model = fit_returns(z, follow, design.blocks_of(free), offset, began)
    mass = exposure_of(prepared, model) * np.exp(model.linear)
    level = level_of(model, window)
    along = np.column_stack([_mass_gradient(design, z, mass), level.along])
    moved = by_cluster(z, model, along, design.bike)
    hazard_rows = (np.bincount(design.bike, level.direct) - moved[:, -1]) / level.total
    log_mass_rows = moved[:, :-1]
    log_mass_rows += hazard_rows[:, None]
    spread = squared(early_rows)
    follows = np.linalg.solve(
        spread + 1e-9 * np.trace(spread) * np.eye(len(spread)), crossed(early_rows, log_mass_rows)
    )
    log_mass_rows -= product(early_rows, follows)  # what is left
    return HadItBeenMet(mass, held, follows, squared(log_mass_rows), model)


def _mass_gradient(design: Design, z: Joined, mass: Numbers) -> Numbers:
    """How the log of each step's mass, had it been met, moves with the nuisance: one column a step."""
    weights = ((part, mass[part, None] * design.missed[part]) for part in parts_of(len(z)))
    gradient = crossed_parts(z.base, weights)[z.own]
    kind = design.x.dtype
    masses = sum(crossed(design.missed[part].astype(kind), mass[part]) for part in parts_of(len(z)))
    return gradient / np.maximum(masses, 1e-300)


def drift_draws(refit: HadItBeenMet, draws: Numbers, rng: np.random.Generator) -> Numbers:
    """Draws of the error in the log of a step's risk mass, had it been met: one row a draw, one column a step."""
    noise = rng.standard_normal((len(draws), len(refit.rest))) @ _root(refit.rest).T
    return np.asarray(np.clip((draws - refit.held) @ refit.follows + noise, -3, 3))


def spared_draws(design: Design, refit: HadItBeenMet, draws: Numbers, drift: Numbers) -> Numbers:
    """Comebacks spared per 100 bleeds, one row a draw, one column a step."""
    steps = design.size
    spared = np.empty((len(draws), steps))
    for j in range(steps):
        met = refit.mass[design.missed[:, j] > 0] * np.exp(-refit.held[j])
        spared[:, j] = _curve(met, draws[:, j], len(refit.mass)) * np.exp(drift[:, j])
    return spared


def _curve(met: Numbers, effects: Numbers, bleeds: int) -> Numbers:
    """100 / n × sum of F(m e^b) − F(m) over the missed: a polynomial through its values at Chebyshev's points."""
    lo, hi = float(effects.min()) - 1e-9, float(effects.max()) + 1e-9
    without = np.exp(-met).sum()

    def spared(effect: Numbers) -> Numbers:
        return 100 / bleeds * np.array([without - np.exp(-met * np.exp(b)).sum() for b in effect])

    degree = DEGREE + min(int(A_UNIT * (hi - lo)), MOST_MORE)
    return np.asarray(np.polynomial.Chebyshev.interpolate(spared, degree, (lo, hi))(effects))


def _root(covariance: Numbers) -> Numbers:
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    return vectors * np.sqrt(np.maximum(values, 0.0))
