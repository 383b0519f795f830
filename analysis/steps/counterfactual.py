"""From draws of effects to comebacks prevented: the risk of the missed, had they met the step, is itself estimated."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.steps.design_matrix import Design
from analysis.steps.marginal_effects import Gradients, clustered_influence, expected_exposure, time_and_event
from analysis.survival import SurvivalModel

FloatArray = NDArray[np.float64]
DEGREE, A_UNIT, MAX_MORE = 10, 3, 100
"""Of the polynomial that a sum of risks is along effects, more for each unit of log hazard that these span: a thousandth of
their spread at most is lost (the sum is smooth, and few bleeds' draws span much)."""


@dataclass(frozen=True)
class CounterfactualFit:
    """The nuisance refitted with the steps' effects held, and what its error does to each step's risk mass.

    `mass` is each bleed's cumulative hazard up to the window (or next bleed) at the held effects; `follows` how the log
    of a step's mass, had it been met, moves with the early effects; `rest` the covariance that is left.
    """

    mass: FloatArray = field(repr=False)
    held: FloatArray
    follows: FloatArray = field(repr=False)
    rest: FloatArray = field(repr=False)


def counterfactual_fit(
    data: BleedData, design: Design, held: FloatArray, early_rows: FloatArray, cox_model: SurvivalModel
) -> CounterfactualFit:
    """Refit everything but the steps, these at their posterior means.

    Parameters
    ----------
    prepared, design
        The bleeds to learn from and their design.
    held
        Effects of the early columns: steps, then not recorded.
    early_rows
        Each bike's influence on the observed early effects.
    cox_model
        The design's model by return, at which the search starts.
    """
    kept = [*range(design.size), *design.unrecorded_columns]
    free = np.delete(np.arange(design.x.shape[1]), kept)
    window, offset, z = data.window_days, design.x[:, kept] @ held, design.x[:, free]
    time, event = time_and_event(data.bleeds, window)
    model = cox_model.fit(
        z,
        time,
        event,
        blocks=design.blocks_of(free.tolist()),
        clusters=design.bike,
        start=cox_model.coefficients[free],
        offset=offset,
    )
    mass = expected_exposure(data, model) * np.exp(model.linear_predictor(z) + offset)
    gradients = Gradients(_log_mass_gradient(design, z, mass), np.ones(design.size))
    rows = clustered_influence(model, gradients, window)
    spread = early_rows.T @ early_rows
    follows = np.linalg.solve(spread + 1e-9 * np.trace(spread) * np.eye(len(spread)), early_rows.T @ rows)
    rest = rows - early_rows @ follows
    return CounterfactualFit(mass, held, follows, rest.T @ rest)


def _log_mass_gradient(design: Design, z: FloatArray, mass: FloatArray) -> FloatArray:
    """How the log of each step's mass, had it been met, moves with the nuisance: one column a step."""
    own = design.missed * mass[:, None]
    return z.T @ own / np.maximum(own.sum(axis=0), 1e-300)


def nuisance_draws(refit: CounterfactualFit, draws: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Draws of the error in the log of a step's risk mass, had it been met: one row a draw, one column a step."""
    noise = rng.standard_normal((len(draws), len(refit.rest))) @ _root(refit.rest).T
    return np.asarray(np.clip((draws - refit.held) @ refit.follows + noise, -3, 3))


def prevented_draws(design: Design, refit: CounterfactualFit, draws: FloatArray, drift: FloatArray) -> FloatArray:
    """Comebacks prevented per 100 bleeds, one row a draw, one column a step."""
    steps = design.size
    prevented = np.empty((len(draws), steps))
    for j in range(steps):
        met = refit.mass[design.missed[:, j] > 0] * np.exp(-refit.held[j])
        prevented[:, j] = _curve(met, draws[:, j], len(refit.mass)) * np.exp(drift[:, j])
    return prevented


def _curve(met: FloatArray, effects: FloatArray, bleeds: int) -> FloatArray:
    """100 / n × sum of F(m e^b) − F(m) over the missed: a polynomial through its values at Chebyshev's points."""
    lo, hi = float(effects.min()) - 1e-9, float(effects.max()) + 1e-9
    without = np.exp(-met).sum()

    def prevented(effect: FloatArray) -> FloatArray:
        return 100 / bleeds * np.array([without - np.exp(-met * np.exp(b)).sum() for b in effect])

    degree = DEGREE + min(int(A_UNIT * (hi - lo)), MAX_MORE)
    return np.asarray(np.polynomial.Chebyshev.interpolate(prevented, degree, (lo, hi))(effects))


def _root(covariance: FloatArray) -> FloatArray:
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    return vectors * np.sqrt(np.maximum(values, 0.0))
