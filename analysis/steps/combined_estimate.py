"""The layers put together: joint draws of every step's effect, from the stand where it may speak, else from returns."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.steps.counterfactual import counterfactual_fit, nuisance_draws, prevented_draws
from analysis.steps.design_matrix import Design
from analysis.steps.marginal_effects import MarginalEffects
from analysis.steps.mediation import MediatorEvidence, mediator_evidence
from analysis.steps.posterior import Evidence, posterior_draws
from analysis.steps.time_varying import TimeVaryingEffects
from analysis.survival import SurvivalModel

FloatArray = NDArray[np.float64]
DRAWS = 4000
WITH_MEDIATOR, RETURNS_ONLY = "with the stand's evidence", "by return"
PREDICTS_P = 0.05
"""Signs count as foretelling returns below this one-sided p."""


@dataclass(frozen=True)
class CombinedEstimate:
    """The headline: its name, why it was chosen, draws of effects and of comebacks spared, each bleed's mass.

    `mass` is each bleed's cumulative hazard up to the window or next bleed at effects `fixed_effects`; `drift` draws of the
    error in the log of the mass of those who missed a step, had they met it.
    """

    name: str
    reason: str
    effects: FloatArray = field(repr=False)
    prevented: FloatArray = field(repr=False)
    drift: FloatArray = field(repr=False)
    mass: FloatArray = field(repr=False)
    fixed_effects: FloatArray


def combined_estimate(
    data: BleedData,
    design: Design,
    marginal: MarginalEffects,
    cox_model: SurvivalModel,
    time_varying: TimeVaryingEffects,
    rng: np.random.Generator,
) -> CombinedEstimate:
    """Layer 2 where signs are recorded and foretell returns, else layer 1.

    Parameters
    ----------
    prepared, design
        The bleeds to learn from and their design.
    returns
        Layer 1.
    cox_model
        The model by return over the whole follow-up.
    windows
        Effects within the window and after it.
    rng
        For the draws.
    """
    mediator = mediator_evidence(data, design, cox_model)
    if mediator is None:
        return _returns_only(design, marginal, rng, "no sign was recorded on the stand")
    if mediator.p_value > PREDICTS_P:
        return _returns_only(design, marginal, rng, "what the stand shows does not foretell returns here")
    observed = _evidence(data, design, mediator, time_varying)
    return _with_mediator(data, design, observed, time_varying.influence[:, : observed.early], marginal.model, rng)


def _evidence(
    data: BleedData, design: Design, mediator: MediatorEvidence, time_varying: TimeVaryingEffects
) -> Evidence:
    """What returns within the window, the stand and returns after it say, with what they share."""
    early = design.size + len(design.unrecorded_columns)
    rows = np.hstack([time_varying.influence[:, :early], mediator.influence, time_varying.influence[:, early:]])
    places = [*range(design.size), *design.unrecorded_steps]
    steps = {step.id: step for step in data.standard.steps}
    own_steps = [steps[design.steps[place]] for place in places]
    return Evidence(
        values=np.concatenate([time_varying.effects[:early], mediator.delta, time_varying.effects[early:]]),
        covariance=rows.T @ rows,
        early=early,
        steps=design.size,
        group=np.array([step.acts == "leak" for step in own_steps], dtype=np.int64),
        has_mediator=mediator.applies,
        shrinkage=_shrinkage_matrix(time_varying, early),
    )


def _with_mediator(
    data: BleedData,
    design: Design,
    evidence: Evidence,
    early_rows: FloatArray,
    cox_model: SurvivalModel,
    rng: np.random.Generator,
) -> CombinedEstimate:
    """Draws of the effects from their joint posterior, and of what they would spare."""
    draws = posterior_draws(evidence, DRAWS, rng)
    refit = counterfactual_fit(data, design, draws.mean(axis=0), early_rows, cox_model)
    drift = nuisance_draws(refit, draws, rng)
    prevented = prevented_draws(design, refit, draws, drift)
    return CombinedEstimate(
        WITH_MEDIATOR,
        "signs recorded on the stand foretell returns",
        draws[:, : design.size],
        prevented,
        drift,
        refit.mass,
        refit.held[: design.size],
    )


def _shrinkage_matrix(time_varying: TimeVaryingEffects, early: int) -> FloatArray:
    """The same matrix with the stand's columns, which no ridge holds back, put between early and late."""
    late = time_varying.shrinkage.shape[0] - early
    matrix = np.eye(2 * early + late)
    places = [*range(early), *range(2 * early, 2 * early + late)]
    matrix[np.ix_(places, places)] = time_varying.shrinkage
    return matrix


def _returns_only(design: Design, marginal: MarginalEffects, rng: np.random.Generator, reason: str) -> CombinedEstimate:
    """Normal draws around layer 1: effects, spared comebacks and the mass had a step been met, together."""
    steps = design.size
    centre = np.concatenate([marginal.model.coefficients[:steps], marginal.prevented, np.zeros(steps)])
    values, vectors = np.linalg.eigh((marginal.covariance + marginal.covariance.T) / 2)
    root = vectors * np.sqrt(np.maximum(values, 0))
    draws = centre + rng.standard_normal((DRAWS, len(centre))) @ root.T
    mass = marginal.exposure * np.exp(marginal.model.linear_predictor(design.x))
    effects, prevented, drift = np.split(draws, [steps, 2 * steps], axis=1)
    return CombinedEstimate(RETURNS_ONLY, reason, effects, prevented, drift, mass, marginal.model.coefficients[:steps])
