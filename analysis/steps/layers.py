"""The layers put together: joint draws of every step's effect, from the stand where it may speak, else from returns."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.followup import SurvivalModel
from analysis.prepared import Prepared
from analysis.steps.by_return import MarginalEffects
from analysis.steps.design import Design
from analysis.steps.shrink import Observed, posterior_draws
from analysis.steps.spared import counterfactual_fit, drift_draws, spared_draws
from analysis.steps.stand import Stand, stand_evidence
from analysis.steps.windows import Windows

Numbers = NDArray[np.float64]
DRAWS = 4000
BY_STAND, BY_RETURN = "with the stand's evidence", "by return"
FORETELLS_P = 0.05
"""Signs count as foretelling returns below this one-sided p."""


@dataclass(frozen=True)
class Layer:
    """The headline: its name, why it was chosen, draws of effects and of comebacks spared, each bleed's mass.

    `mass` is each bleed's cumulative hazard up to the window or next bleed at effects `held`; `drift` draws of the
    error in the log of the mass of those who missed a step, had they met it.
    """

    name: str
    because: str
    effects: Numbers = field(repr=False)
    spared: Numbers = field(repr=False)
    drift: Numbers = field(repr=False)
    mass: Numbers = field(repr=False)
    held: Numbers


def headline(
    prepared: Prepared,
    design: Design,
    returns: MarginalEffects,
    whole: SurvivalModel,
    windows: Windows,
    rng: np.random.Generator,
) -> Layer:
    """Layer 2 where signs are recorded and foretell returns, else layer 1.

    Parameters
    ----------
    prepared, design
        The bleeds to learn from and their design.
    returns
        Layer 1.
    whole
        The model by return over the whole follow-up.
    windows
        Effects within the window and after it.
    rng
        For the draws.
    """
    stand = stand_evidence(prepared, design, whole)
    if stand is None:
        return _by_return(design, returns, rng, "no sign was recorded on the stand")
    if stand.p_value > FORETELLS_P:
        return _by_return(design, returns, rng, "what the stand shows does not foretell returns here")
    observed = _observed(prepared, design, stand, windows)
    return _by_stand(prepared, design, observed, windows.rows[:, : observed.early], returns.model, rng)


def _observed(prepared: Prepared, design: Design, stand: Stand, windows: Windows) -> Observed:
    """What returns within the window, the stand and returns after it say, with what they share."""
    early = design.size + len(design.unrecorded_columns)
    rows = np.hstack([windows.rows[:, :early], stand.rows, windows.rows[:, early:]])
    places = [*range(design.size), *design.unrecorded_steps]
    steps = {step.id: step for step in prepared.standard.steps}
    mine = [steps[design.steps[place]] for place in places]
    return Observed(
        values=np.concatenate([windows.effects[:early], stand.delta, windows.effects[early:]]),
        covariance=rows.T @ rows,
        early=early,
        steps=design.size,
        group=np.array([step.acts == "leak" for step in mine], dtype=np.int64),
        lends=stand.applies,
        shown=_shown(windows, early),
    )


def _by_stand(
    prepared: Prepared,
    design: Design,
    observed: Observed,
    early_rows: Numbers,
    by_return: SurvivalModel,
    rng: np.random.Generator,
) -> Layer:
    """Draws of the effects from their joint posterior, and of what they would spare."""
    draws = posterior_draws(observed, DRAWS, rng)
    refit = counterfactual_fit(prepared, design, draws.mean(axis=0), early_rows, by_return)
    drift = drift_draws(refit, draws, rng)
    spared = spared_draws(design, refit, draws, drift)
    return Layer(
        BY_STAND,
        "signs recorded on the stand foretell returns",
        draws[:, : design.size],
        spared,
        drift,
        refit.mass,
        refit.held[: design.size],
    )


def _shown(windows: Windows, early: int) -> Numbers:
    """The same matrix with the stand's columns, which no ridge holds back, put between early and late."""
    late = windows.shrinkage.shape[0] - early
    shown = np.eye(2 * early + late)
    places = [*range(early), *range(2 * early, 2 * early + late)]
    shown[np.ix_(places, places)] = windows.shrinkage
    return shown


def _by_return(design: Design, returns: MarginalEffects, rng: np.random.Generator, because: str) -> Layer:
    """Normal draws around layer 1: effects, spared comebacks and the mass had a step been met, together."""
    steps = design.size
    centre = np.concatenate([returns.model.coefficients[:steps], returns.prevented, np.zeros(steps)])
    values, vectors = np.linalg.eigh((returns.covariance + returns.covariance.T) / 2)
    root = vectors * np.sqrt(np.maximum(values, 0))
    draws = centre + rng.standard_normal((DRAWS, len(centre))) @ root.T
    mass = returns.exposure * np.exp(returns.model.linear_predictor(design.x))
    effects, spared, drift = np.split(draws, [steps, 2 * steps], axis=1)
    return Layer(BY_RETURN, because, effects, spared, drift, mass, returns.model.coefficients[:steps])
