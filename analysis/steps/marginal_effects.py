"""Comebacks prevented by meeting each step: g-computation on the time-to-return model, with influence functions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.steps.design_matrix import Design
from analysis.survival import CoxModel, SurvivalModel, kaplan_meier

FloatArray = NDArray[np.float64]
MIN_DEGREE, DEGREES_PER_UNIT, MAX_EXTRA_DEGREES = 10, 3, 100
"""Degree of the Chebyshev interpolation of prevented comebacks as a function of the effect: `MIN_DEGREE`, and
`DEGREES_PER_UNIT` more per unit of log hazard spanned. Relative error below 1e-6; summing exactly for 4,000 draws of 20
steps would evaluate 4 billion exponentials at 200,000 bleeds, a quarter of which missed a step."""


@dataclass(frozen=True)
class MarginalEffects:
    """Comebacks prevented per 100 bleeds by step (`prevented`) with standard errors (`sd`).

    `baseline_hazard` is each bleed's baseline cumulative hazard up to the window or the brake's next bleed (n).
    """

    prevented: FloatArray
    sd: FloatArray
    model: SurvivalModel
    baseline_hazard: FloatArray = field(repr=False)
    gradients: Gradients = field(repr=False)
    design: Design = field(repr=False)
    window_days: int

    @cached_property
    def covariance(self) -> FloatArray:
        """Joint covariance (3 × steps): log hazard ratios, comebacks prevented, and log summed hazard had the step been
        met.

        The last is the log of the cumulative hazard summed over the bleeds that missed the step, had they met it.
        """
        steps, model = len(self.prevented), self.model
        step_coefficients = np.eye(len(model.coefficients))[:, :steps]
        gradients = Gradients.concat(
            Gradients(step_coefficients, np.zeros(steps)),
            self.gradients,
            Gradients(_log_hazard_if_met_gradient(self.design, model, self.baseline_hazard), np.ones(steps)),
        )
        influence = clustered_influence(model, gradients, self.window_days) * model.standard_error_factor
        return np.asarray(influence.T @ influence)


@dataclass(frozen=True)
class Gradients:
    """Gradients of k estimates in the coefficients (p × k) and in the log of the baseline cumulative hazard (k)."""

    coefficients: FloatArray
    baseline: FloatArray

    @staticmethod
    def concat(*parts: Gradients) -> Gradients:
        return Gradients(
            np.hstack([part.coefficients for part in parts]), np.concatenate([part.baseline for part in parts])
        )


def clustered_influence(model: SurvivalModel, gradients: Gradients, day: int) -> FloatArray:
    """Influence of each bike on estimates with these gradients (bikes × k); the baseline hazard is taken at `day`."""
    influence = model.influence(gradients.coefficients)
    influence += np.outer(model.baseline_influence(day), gradients.baseline)
    return influence


def estimate_marginal_effects(data: BleedData, design: Design) -> MarginalEffects:
    """Fit the step model over the whole follow-up and return its marginal effects."""
    return marginal_effects(data, design, fit_step_model(data, design))


def fit_step_model(
    data: BleedData,
    design: Design,
    horizon_days: int | None = None,
    start: FloatArray | None = None,
    survival: type[SurvivalModel] = CoxModel,
) -> SurvivalModel:
    """Fit the time-to-return model of the design.

    Parameters
    ----------
    data
        Bleeds to fit.
    design
        Their design matrix.
    horizon_days
        Administrative censoring, in days; none by default.
    start
        Starting values of the coefficients.
    survival
        Class of the model.

    Raises
    ------
    ValueError
        No bike came back within the horizon.
    """
    time, event = time_and_event(data.bleeds, horizon_days)
    return survival.fit(design.x, time, event, blocks=design.blocks, clusters=design.bike, start=start)


def marginal_effects(data: BleedData, design: Design, model: SurvivalModel) -> MarginalEffects:
    """Comebacks that meeting each step would prevent, per 100 bleeds.

    Estimand: 100 × mean over bleeds of P(comeback) − P(comeback had the step been met), within the window and before
    the brake's next bleed. Recorded misses are set to met; steps not recorded stay as they are. Standard errors:
    infinitesimal jackknife, clustered by bike, delta method over coefficients and baseline hazard. The horizon of the
    model is at least the window.
    """
    baseline_hazard = expected_baseline_hazard(data, model)
    prevented, gradients = _prevented_and_gradients(design, model, baseline_hazard)
    influence = clustered_influence(model, gradients, data.window_days)
    sd = np.sqrt((influence**2).sum(axis=0)) * model.standard_error_factor
    return MarginalEffects(prevented, sd, model, baseline_hazard, gradients, design, data.window_days)


def expected_baseline_hazard(data: BleedData, model: SurvivalModel) -> FloatArray:
    """Baseline cumulative hazard up to the window or the brake's next bleed, whichever comes first (n).

    Where the next bleed of a recent bleed is not observable yet: its expectation over the gaps between bleeds of the
    same brake (Kaplan-Meier), given a gap longer than the bleed's age.
    """
    window = data.window_days
    gap = data.bleeds.get_column("next_bleed_days").cast(pl.Float64).fill_null(np.inf).to_numpy()
    age = data.bleeds.get_column("age_days").to_numpy()
    hazard = model.cumulative_hazard(np.minimum(gap, window).astype(np.int64))
    recent = (age < window) & ~np.isfinite(gap)
    if recent.any():
        observed_days = np.minimum(np.minimum(gap, age), window).astype(np.int64)
        rebled = np.isfinite(gap) & (gap <= age) & (observed_days < window)
        hazard[recent] = _expected_remaining_hazard(model, kaplan_meier(observed_days, rebled, window), window)[
            age[recent]
        ]
    return hazard


def time_and_event(
    bleeds: pl.DataFrame, horizon_days: int | None = None
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Days at risk, and whether they ended in a return, censored at the horizon."""
    days = bleeds.get_column("days_at_risk").to_numpy()
    returned = (bleeds.get_column("end") == "return").to_numpy()
    if horizon_days is None:
        return days, returned
    return np.minimum(days, horizon_days), returned & (days <= horizon_days)


def _prevented_and_gradients(
    design: Design, model: SurvivalModel, baseline_hazard: FloatArray
) -> tuple[FloatArray, Gradients]:
    """Comebacks prevented per 100 bleeds by step, and their gradients."""
    steps, missed = design.step_count, design.missed
    hazard = (baseline_hazard * np.exp(model.linear_predictor(design.x)))[:, None]
    hazard_if_met = hazard * np.exp(-model.coefficients[:steps])
    slope_if_met = missed * hazard_if_met * np.exp(-hazard_if_met)
    slope = missed * hazard * np.exp(-hazard) - slope_if_met
    prevented = (missed * (np.exp(-hazard_if_met) - np.exp(-hazard))).sum(axis=0)
    gradient = design.x.T @ slope
    gradient[np.arange(steps), np.arange(steps)] += slope_if_met.sum(axis=0)
    per_100 = 100 / len(baseline_hazard)
    return per_100 * prevented, Gradients(per_100 * gradient, per_100 * slope.sum(axis=0))


def _log_hazard_if_met_gradient(design: Design, model: SurvivalModel, baseline_hazard: FloatArray) -> FloatArray:
    """Gradient in the coefficients (p × steps) of the log summed hazard, had they met it, of the bleeds that missed
    a step.
    """
    hazard = design.missed * (baseline_hazard * np.exp(model.linear_predictor(design.x)))[:, None]
    gradient, totals = design.x.T @ hazard, hazard.sum(axis=0)
    gradient[np.arange(design.step_count), np.arange(design.step_count)] -= totals
    return gradient / np.maximum(totals, 1e-300)


def _expected_remaining_hazard(model: SurvivalModel, gap_survival: FloatArray, window: int) -> FloatArray:
    """For each age below the window: expected baseline hazard given no next bleed by that age."""

    grid = model.cumulative_hazard(np.arange(window + 1))
    gap_probability = -np.diff(gap_survival, prepend=1.0)
    tail = np.cumsum((gap_probability * grid)[::-1])[::-1]
    later = np.concatenate([tail[1:], [0.0]]) + gap_survival[-1] * grid[window]
    return np.where(gap_survival > 0, later / np.maximum(gap_survival, 1e-12), grid[window])


@dataclass(frozen=True)
class NuisanceFit:
    """The model refitted with the early effects held at `reference_effects`.

    `cumulative_hazard` is each bleed's, up to the window or next bleed (n). The error in the log of a step's summed
    hazard, had it been met, is `error_slopes` (effects × steps) times the error of the effects, plus a residual with
    `residual_covariance`.
    """

    cumulative_hazard: FloatArray = field(repr=False)
    reference_effects: FloatArray
    error_slopes: FloatArray = field(repr=False)
    residual_covariance: FloatArray = field(repr=False)


def refit_nuisance(
    data: BleedData,
    design: Design,
    reference_effects: FloatArray,
    effect_influence: FloatArray,
    return_model: SurvivalModel,
) -> NuisanceFit:
    """Refit everything except the early effects, which stay at their posterior means.

    Parameters
    ----------
    data, design
        Bleeds to fit and their design matrix.
    reference_effects
        Early effects: steps, then the not-recorded columns.
    effect_influence
        Influence of each bike on the estimated early effects (bikes × effects).
    return_model
        Fitted model of the design, which gives starting values.
    """
    effect_columns = [*range(design.step_count), *design.unrecorded_columns]
    nuisance_columns = np.delete(np.arange(design.x.shape[1]), effect_columns)
    window, offset, z = data.window_days, design.x[:, effect_columns] @ reference_effects, design.x[:, nuisance_columns]
    time, event = time_and_event(data.bleeds, window)
    model = return_model.fit(
        z,
        time,
        event,
        blocks=design.select_blocks(nuisance_columns.tolist()),
        clusters=design.bike,
        start=return_model.coefficients[nuisance_columns],
        offset=offset,
    )
    hazard = expected_baseline_hazard(data, model) * np.exp(model.linear_predictor(z) + offset)
    gradients = Gradients(_log_hazard_gradient(design, z, hazard), np.ones(design.step_count))
    influence = clustered_influence(model, gradients, window)
    effect_covariance = effect_influence.T @ effect_influence
    error_slopes = np.linalg.solve(
        effect_covariance + 1e-9 * np.trace(effect_covariance) * np.eye(len(effect_covariance)),
        effect_influence.T @ influence,
    )
    residual = influence - effect_influence @ error_slopes
    return NuisanceFit(hazard, reference_effects, error_slopes, residual.T @ residual)


def _log_hazard_gradient(design: Design, z: FloatArray, hazard: FloatArray) -> FloatArray:
    """Gradient in the nuisance coefficients (p × steps) of the log of each step's summed hazard."""
    step_hazard = design.missed * hazard[:, None]
    return z.T @ step_hazard / np.maximum(step_hazard.sum(axis=0), 1e-300)


def log_hazard_error_draws(refit: NuisanceFit, draws: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Draws of the error in the log of each step's summed hazard, had it been met (draws × steps)."""
    noise = (
        rng.standard_normal((len(draws), len(refit.residual_covariance))) @ _matrix_root(refit.residual_covariance).T
    )
    return np.asarray(np.clip((draws - refit.reference_effects) @ refit.error_slopes + noise, -3, 3))


def prevented_draws(design: Design, refit: NuisanceFit, draws: FloatArray, log_hazard_errors: FloatArray) -> FloatArray:
    """Comebacks prevented per 100 bleeds (draws × steps)."""
    step_count = design.step_count
    prevented = np.empty((len(draws), step_count))
    for j in range(step_count):
        hazard_if_met = refit.cumulative_hazard[design.missed[:, j] > 0] * np.exp(-refit.reference_effects[j])
        prevented[:, j] = _prevented_by_effect(hazard_if_met, draws[:, j], len(refit.cumulative_hazard)) * np.exp(
            log_hazard_errors[:, j]
        )
    return prevented


def _prevented_by_effect(hazard_if_met: FloatArray, effects: FloatArray, bleeds: int) -> FloatArray:
    """100/n Σ [exp(−h) − exp(−h eᵇ)] over the bleeds that missed the step, interpolated in the effect b.

    h is `hazard_if_met`, each bleed's cumulative hazard had it met the step.
    """
    survivors = np.exp(-hazard_if_met).sum()
    return interpolate_in_effect(
        lambda b: 100 / bleeds * float(survivors - np.exp(-hazard_if_met * np.exp(b)).sum()), effects
    )


def interpolate_in_effect(function: Callable[[float], float], effects: FloatArray) -> FloatArray:
    """A smooth function of the effect at each draw of it, by Chebyshev interpolation."""
    low, high = float(effects.min()) - 1e-9, float(effects.max()) + 1e-9
    degree = MIN_DEGREE + min(int(DEGREES_PER_UNIT * (high - low)), MAX_EXTRA_DEGREES)

    def at_nodes_of(nodes: FloatArray) -> FloatArray:
        return np.array([function(b) for b in nodes])

    at_nodes = np.polynomial.Chebyshev.interpolate(at_nodes_of, degree, (low, high))
    return np.asarray(at_nodes(effects))


def _matrix_root(covariance: FloatArray) -> FloatArray:
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    return vectors * np.sqrt(np.maximum(values, 0.0))
