"""Comebacks prevented through later steps: a miss leaves bubbles, and bubbles decide whether later steps are missed.

A step of the passes responds to what the technician sees ("go on until no bubbles show"). Had an earlier step been met, it
would have been missed with another chance. Source of the g-formula: J. M. Robins 1986, Math. Model. 7:1393-1512; M. A.
Hernán & J. M. Robins, Causal Inference: What If, ch. 21.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.standard import PLACE_ORDER
from analysis.stats import expit, ridge_logistic, sum_within_clusters, weighted_gram
from analysis.steps.design_matrix import NOT_RECORDED, Design
from analysis.steps.marginal_effects import interpolate_in_effect
from analysis.steps.posterior import CombinedEstimate

FloatArray = NDArray[np.float64]
RESPONDING = "passes"
MIN_MISSED, MIN_CONTROLS = 10, 3
SMALL = 1e-3
"""Below this change in the log odds, the slope of the chance is taken at the point."""


def indirect_effect(missed: FloatArray, change: FloatArray, risk_missed: FloatArray, risk_met: FloatArray) -> float:
    """Mean indirect effect through a later step (g-formula): Σ missed × change of chance × effect of the later miss.

    Parameters
    ----------
    missed
        1 where the earlier step was missed.
    change
        Chance of missing the later step as it was, less that had the earlier one been met.
    risk_missed, risk_met
        Risk had the earlier step been met, with the later one missed and met.
    """
    return float(missed @ (change * (risk_missed - risk_met))) / len(missed)


@dataclass(frozen=True)
class MissResponse:
    """How earlier misses change the log odds of missing one responding step.

    `step` and `causes` are indices of steps; `slopes` the changes of log odds, less that of a step done later, which
    can only be an association; `log_odds` each bleed's own.
    """

    step: int
    causes: tuple[int, ...]
    slopes: FloatArray
    covariance: FloatArray = field(repr=False)
    log_odds: FloatArray = field(repr=False)

    def slope_draws(self, draws: int, rng: np.random.Generator) -> FloatArray:
        values, vectors = np.linalg.eigh((self.covariance + self.covariance.T) / 2)
        root = vectors * np.sqrt(np.maximum(values, 0))
        return np.asarray(self.slopes + rng.standard_normal((draws, len(self.slopes))) @ root.T)

    def unit_changes(self, missed: FloatArray) -> FloatArray:
        """Change in the chance of a miss per unit of log odds, had the misses of `missed` (n × causes) been met."""
        shift = missed @ self.slopes
        chance, chance_met = expit(self.log_odds), expit(self.log_odds - shift)
        small = np.abs(shift) < SMALL
        return np.where(small, chance * (1 - chance), (chance - chance_met) / np.where(small, 1.0, shift))


@dataclass(frozen=True)
class LaterStepResponses:
    """Responses of the steps that depend on what is seen: `alone` to steps before the passes, with their indirect effects
    through other responding steps; `joint` with those held as they were.
    """

    alone: tuple[MissResponse, ...]
    joint: tuple[MissResponse, ...]


NO_LATER_STEPS = LaterStepResponses((), ())


def fit_later_step_responses(data: BleedData, design: Design) -> LaterStepResponses:
    """Fit the responses: logistic regressions of each responding step on earlier steps, the steps after the passes and X.

    Hurry makes all misses likelier. A step done after the passes cannot have caused the bubbles, so the association
    with it, averaged by precision, is subtracted from the slopes (a negative control). With fewer than three such steps
    nothing can be subtracted and nothing is estimated. They are in the same regression so that hurry affects both
    associations alike, which assumes that the responding step has no effect on them: otherwise they are its descendants
    (a collider), and its slopes too small by about that effect.
    """
    by_id = {step.id: step for step in data.standard.steps}
    steps = [by_id[step] for step in design.steps]
    order = sorted(range(len(steps)), key=lambda index: (PLACE_ORDER.index(steps[index].place), index))
    controls = [index for index in order if steps[index].is_after(RESPONDING)]
    responding = [index for index in order if steps[index].place == RESPONDING]
    if len(controls) < MIN_CONTROLS:
        return NO_LATER_STEPS
    before = [index for index in order if PLACE_ORDER.index(steps[index].place) < PLACE_ORDER.index(RESPONDING)]
    alone, joint = [], []
    for position, step in enumerate(responding):
        recorded = ~design.unrecorded[:, step]
        misses = int(design.missed[recorded, step].sum())
        if min(misses, int(recorded.sum()) - misses) < MIN_MISSED:
            continue
        earlier = responding[:position]
        alone.append(_fit_response(design, step, before, controls, responding))
        joint.append(_fit_response(design, step, [*before, *earlier], controls, responding[position:]))
    return LaterStepResponses(tuple(r for r in alone if r.causes), tuple(r for r in joint if r.causes))


def _fit_response(
    design: Design, step: int, causes: Sequence[int], controls: Sequence[int], excluded: Sequence[int]
) -> MissResponse:
    """Fit the chance that `step` is missed, without the columns of the `excluded` steps."""
    dropped = {design.steps[index] for index in excluded}
    names = [name.removeprefix(NOT_RECORDED) for name in design.names]
    x = design.x[:, [i for i, name in enumerate(names) if name not in dropped]]
    position = {
        index: place for place, index in enumerate(i for i in range(len(design.steps)) if i not in set(excluded))
    }
    rows = np.flatnonzero(~design.unrecorded[:, step])
    missed = design.missed[rows, step].astype(float)
    coefficients = ridge_logistic(x[rows], np.ones(len(rows)), missed)
    log_odds = x @ coefficients[:-1] + coefficients[-1]
    covariance = _sandwich_covariance(x[rows], missed, log_odds[rows], design.bike[rows])
    own, later = [position[index] for index in causes], [position[index] for index in controls]
    weights = 1 / np.diag(covariance)[later]
    contrast = np.zeros((len(own), len(coefficients)))
    contrast[np.arange(len(own)), own] = 1
    contrast[:, later] -= weights / weights.sum()
    return MissResponse(step, tuple(causes), contrast @ coefficients, contrast @ covariance @ contrast.T, log_odds)


def _sandwich_covariance(
    x: FloatArray, missed: FloatArray, log_odds: FloatArray, bike: NDArray[np.int64]
) -> FloatArray:
    """Sandwich covariance of the coefficients, the intercept last, clustered by bike."""
    rows, chance = np.hstack([x, np.ones((len(x), 1))]), expit(log_odds)
    ridge = np.append(np.ones(x.shape[1]), 0.0)
    inverse = np.linalg.inv(weighted_gram(rows, chance * (1 - chance)) + np.diag(ridge))
    scores = sum_within_clusters(rows, bike, missed - chance)
    return np.asarray(inverse @ (scores.T @ scores) @ inverse)


def draw_prevented_through_later_steps(
    design: Design, later: LaterStepResponses, estimate: CombinedEstimate, missed: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Draws of comebacks prevented per 100 bleeds through later steps, had some misses been met.

    Parameters
    ----------
    design, later
        Design matrix and responses.
    estimate
        Draws of the effects.
    missed
        n × steps: 1 for the misses that would be met.
    rng
        Random generator of the slopes.
    """
    met = np.flatnonzero(missed.any(axis=0))
    steered = {response.step for response in later.joint}
    responses = later.joint if steered & set(met.tolist()) else later.alone
    prevented = np.zeros(len(estimate.effects))
    hazard = estimate.cumulative_hazard * np.exp(-missed @ estimate.reference_effects)
    for response in responses:
        if response.step in met:
            continue
        own = missed[:, list(response.causes)]
        unit = response.unit_changes(own)
        slopes = response.slope_draws(len(prevented), rng)
        base = hazard * np.exp(-estimate.reference_effects[response.step] * design.missed[:, response.step])
        effects = estimate.effects[:, response.step]
        for place in np.flatnonzero(own.any(axis=0)):
            rows = np.flatnonzero(own[:, place])
            per_unit = _prevented_per_log_odds(base[rows], unit[rows], effects, len(base))
            errors = np.exp(estimate.log_hazard_errors[:, response.causes[place]])
            prevented += slopes[:, place] * per_unit * errors
    return prevented


def add_later_step_effects(
    design: Design, later: LaterStepResponses, estimate: CombinedEstimate, rng: np.random.Generator
) -> CombinedEstimate:
    """The estimate with what each step prevents through later steps added."""
    if not later.joint:
        return estimate
    through = np.zeros_like(estimate.prevented)
    for step in range(design.step_count):
        missed = np.zeros(design.missed.shape)
        missed[:, step] = design.missed[:, step]
        through[:, step] = draw_prevented_through_later_steps(design, later, estimate, missed, rng)
    return replace(estimate, prevented=estimate.prevented + through)


def _prevented_per_log_odds(
    hazard: FloatArray, unit_change: FloatArray, effects: FloatArray, bleeds: int
) -> FloatArray:
    """Comebacks prevented per 100 bleeds and unit of log odds, at each effect of the later miss."""
    ones, risk_met = np.ones(len(hazard)), -np.expm1(-hazard)

    def at(effect: float) -> float:
        risk_missed = -np.expm1(-hazard * np.exp(effect))
        return indirect_effect(ones, unit_change, risk_missed, risk_met) * 100 * len(hazard) / bleeds

    return interpolate_in_effect(at, effects)
