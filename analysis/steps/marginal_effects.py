"""What each missed step costs by returns alone: g-computation on the time-to-return model, with influence functions."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.steps.design_matrix import Design
from analysis.survival import CoxModel, SurvivalModel, kaplan_meier

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class MarginalEffects:
    """Comebacks prevented per 100 bleeds, one a step of the design, with standard errors, and what they come from.

    `exposure` is each bleed's baseline cumulative hazard up to the window or the brake's next bleed.
    """

    prevented: FloatArray
    sd: FloatArray
    model: SurvivalModel
    exposure: FloatArray = field(repr=False)
    gradients: Gradients = field(repr=False)
    design: Design = field(repr=False)
    window_days: int

    @cached_property
    def covariance(self) -> FloatArray:
        """That of every step's coefficient, then of what is prevented, then of the log of the risk mass of those who missed
        a step, had they met it."""
        steps, model = len(self.prevented), self.model
        coefficients = np.eye(len(model.coefficients))[:, :steps]
        gradients = Gradients.stacked(
            Gradients(coefficients, np.zeros(steps)),
            self.gradients,
            Gradients(_met_mass_gradient(self.design, model, self.exposure), np.ones(steps)),
        )
        rows = clustered_influence(model, gradients, self.window_days) * model.df_correction
        return np.asarray(rows.T @ rows)


@dataclass(frozen=True)
class Gradients:
    """How k figures move with the coefficients (p × k) and with the log of the baseline's cumulative hazard (k)."""

    coefficients: FloatArray
    baseline: FloatArray

    @staticmethod
    def stacked(*parts: Gradients) -> Gradients:
        return Gradients(
            np.hstack([part.coefficients for part in parts]), np.concatenate([part.baseline for part in parts])
        )


def clustered_influence(model: SurvivalModel, gradients: Gradients, day: int) -> FloatArray:
    """How much each bike moves figures of these gradients, the baseline's taken at a day: bikes × k (delta method)."""
    rows = model.influence(gradients.coefficients)
    rows += np.outer(model.baseline_influence(day), gradients.baseline)
    return rows


def estimate_marginal_effects(data: BleedData, design: Design) -> MarginalEffects:
    """`marginal_effects` of `fit_step_model`, over the whole follow-up."""
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
    prepared
        The bleeds to learn from.
    design
        Their design.
    horizon_days
        Follow up no longer than this; unlimited unless given.
    start
        Coefficients at which the search starts.
    survival
        Which model.

    Raises
    ------
    ValueError
        Nobody came back within the horizon.
    """
    time, event = time_and_event(data.bleeds, horizon_days)
    return survival.fit(design.x, time, event, blocks=design.blocks, clusters=design.bike, start=start)


def marginal_effects(data: BleedData, design: Design, model: SurvivalModel) -> MarginalEffects:
    """What meeting each step would prevent, by a model of the design.

    Estimand: 100 × mean over the bleeds of risk less risk had the step been met, within the window and before the
    brake's next bleed; recorded misses are set to met, not-recorded ones stay. Standard errors by the infinitesimal
    jackknife, clustered by bike, delta method over coefficients and baseline.

    Parameters
    ----------
    prepared
        The bleeds learned from.
    design
        Their design.
    model
        Its model, of a horizon that reaches the window.
    """
    exposure = expected_exposure(data, model)
    prevented, gradients = _prevented(design, model, exposure)
    rows = clustered_influence(model, gradients, data.window_days)
    sd = np.sqrt((rows**2).sum(axis=0)) * model.df_correction
    return MarginalEffects(prevented, sd, model, exposure, gradients, design, data.window_days)


def expected_exposure(data: BleedData, model: SurvivalModel) -> FloatArray:
    """Baseline cumulative hazard up to the window or the brake's next bleed, whichever is first, one a bleed.

    Where a young bleed's next one cannot have come yet, its expected value over the gaps of the others
    (Kaplan-Meier of the gaps, given that the gap is longer than the bleed is old).
    """
    window = data.window_days
    gap = data.bleeds.get_column("next_bleed_days").cast(pl.Float64).fill_null(np.inf).to_numpy()
    age = data.bleeds.get_column("age_days").to_numpy()
    exposure = model.cumulative_hazard(np.minimum(gap, window).astype(np.int64))
    young = (age < window) & ~np.isfinite(gap)
    if young.any():
        seen = np.minimum(np.minimum(gap, age), window).astype(np.int64)
        came = np.isfinite(gap) & (gap <= age) & (seen < window)
        exposure[young] = _mean_residual_exposure(model, kaplan_meier(seen, came, window), window)[age[young]]
    return exposure


def time_and_event(
    bleeds: pl.DataFrame, horizon_days: int | None = None
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Days at risk and whether they ended in a return, followed no longer than the horizon."""
    days = bleeds.get_column("days_at_risk").to_numpy()
    returned = (bleeds.get_column("end") == "return").to_numpy()
    if horizon_days is None:
        return days, returned
    return np.minimum(days, horizon_days), returned & (days <= horizon_days)


def _prevented(design: Design, model: SurvivalModel, exposure: FloatArray) -> tuple[FloatArray, Gradients]:
    """Prevented per 100 by step, and its gradients."""
    steps, missed = design.size, design.missed
    mass = (exposure * np.exp(model.linear_predictor(design.x)))[:, None]
    mass_if_met = mass * np.exp(-model.coefficients[:steps])
    slope_if_met = missed * mass_if_met * np.exp(-mass_if_met)
    slope = missed * mass * np.exp(-mass) - slope_if_met
    prevented = (missed * (np.exp(-mass_if_met) - np.exp(-mass))).sum(axis=0)
    gradient = design.x.T @ slope
    gradient[np.arange(steps), np.arange(steps)] += slope_if_met.sum(axis=0)
    per_100 = 100 / len(exposure)
    return per_100 * prevented, Gradients(per_100 * gradient, per_100 * slope.sum(axis=0))


def _met_mass_gradient(design: Design, model: SurvivalModel, exposure: FloatArray) -> FloatArray:
    """How the log of the risk mass of those who missed a step, had they met it, moves with the coefficients: p × steps."""
    mass = design.missed * (exposure * np.exp(model.linear_predictor(design.x)))[:, None]
    gradient, masses = design.x.T @ mass, mass.sum(axis=0)
    gradient[np.arange(design.size), np.arange(design.size)] -= masses
    return gradient / np.maximum(masses, 1e-300)


def _mean_residual_exposure(model: SurvivalModel, without_next_bleed: FloatArray, window: int) -> FloatArray:
    """For each age below the window: the mean exposure given that no next bleed came by that age."""
    survival = without_next_bleed
    grid = model.cumulative_hazard(np.arange(window + 1))
    share = -np.diff(survival, prepend=1.0)
    tail = np.cumsum((share * grid)[::-1])[::-1]
    later = np.concatenate([tail[1:], [0.0]]) + survival[-1] * grid[window]
    return np.where(survival > 0, later / np.maximum(survival, 1e-12), grid[window])
