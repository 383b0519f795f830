"""Return model of the risk: log hazard of each bleed, and its risk within the window."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from analysis.risk.feature_table import FeatureTable
from analysis.risk.outcome import FollowUp
from analysis.risk.preprocessing import (
    PRIOR_DF,
    PRIOR_PENALTIES,
    PRIOR_VARIANCES,
    TECHNICIAN_BLOCK,
    Column,
    FittedPreprocessor,
    fit_preprocessor,
)
from analysis.survival import Block, CoxModel, breslow, kaplan_meier, weibull_log_shape

FloatArray = NDArray[np.float64]
MIN_RETURNS = 100
"""Returns within the window below which the slope is not recalibrated."""
SLOPE_PRIOR_SD = 0.2
"""Prior standard deviation of a window's slope around 1."""
MIN_SLOPE, MAX_SLOPE = 0.5, 2.0
FIXED_POINT_STEPS = 20
CURVE_ERROR_SD = 0.05
"""Typical error of a Weibull curve's log cumulative hazard at the window."""


@dataclass(frozen=True)
class WindowHazard:
    """Baseline cumulative hazard, and probability that the brake's next bleed has not come, by day from 0 to the
    window's end.
    """

    baseline_cumulative_hazard: FloatArray
    survival_to_next_bleed: FloatArray

    def risk(self, log_hazard: FloatArray) -> FloatArray:
        """Probability of a return within the window and before the brake's next bleed (n)."""
        relative = np.exp(np.clip(log_hazard, -30.0, 30.0))
        surviving = np.exp(-relative[:, None] * self.baseline_cumulative_hazard)
        ended = np.empty_like(surviving)
        ended[:, 0] = 1 - surviving[:, 0]
        np.subtract(surviving[:, :-1], surviving[:, 1:], out=ended[:, 1:])
        return np.clip(ended @ self.survival_to_next_bleed, 1e-6, 1 - 1e-6)

    def expected_between(self, risk: FloatArray, age: NDArray[np.int64], last: NDArray[np.int64]) -> FloatArray:
        """Returns expected on days `age` + 1 to `last`, on which the bleed was out: sum of P(return that day | still out).

        Whatever ended these days, observed less expected returns have mean 0 if the model is right (the compensator of a
        counting process: P. K. Andersen, O. Borgan, R. D. Gill & N. Keiding 1993, Statistical Models Based on Counting
        Processes, section II.4).

        Parameters
        ----------
        risk
            Risk of each bleed within the whole window (n).
        age, last
            Days followed at an earlier day, and the last day out (n), up to the window's length.
        """
        daily = -np.expm1(-_hazard_ratio(self, risk)[:, None] * np.diff(self.baseline_cumulative_hazard, prepend=0.0))
        day = np.arange(daily.shape[1])
        return np.asarray((daily * ((day > age[:, None]) & (day <= last[:, None]))).sum(axis=1))


@dataclass(frozen=True)
class HazardModel:
    """Fitted return model: log hazard = columns · coefficients, both recalibrated to the window
    (`recalibration_slope`).

    `technician_variance` is the variance between technicians, for one the model has not seen.
    """

    inputs: FittedPreprocessor
    coefficients: FloatArray = field(repr=False)
    covariance: FloatArray = field(repr=False)
    technician_variance: float
    window: WindowHazard

    def linear_predictor(self, x: FloatArray) -> FloatArray:
        return x @ self.coefficients

    def variance(self, x: FloatArray) -> FloatArray:
        """Variance of each log hazard, for technicians the model has seen."""
        return _linear_predictor_variance(x, self.covariance)

    def contributions(self, x: FloatArray) -> FloatArray:
        """Contribution of each column to the log of the expected hazard (n × p): to the linear predictor and half
        its variance.
        """
        return x * (x @ (0.5 * self.covariance) + self.coefficients)


def _hazard_ratio(window: WindowHazard, risk: FloatArray) -> FloatArray:
    """The hazard, relative to the baseline, with which the window's risk is `risk`."""
    relative = np.ones_like(risk)
    for _ in range(FIXED_POINT_STEPS):
        relative *= np.log1p(-risk) / np.log1p(-window.risk(np.log(relative)))
    return relative


@dataclass(frozen=True)
class FitSettings:
    """How a risk model is fitted; see `RebleedClassifier`."""

    window_days: int = 90
    leak_steps: tuple[str, ...] = ()
    prior_df: float = PRIOR_DF


def fit_hazard_model(
    features: FeatureTable,
    columns: list[Column],
    follow_up: FollowUp,
    settings: FitSettings,
    initial_model: HazardModel | None = None,
) -> HazardModel:
    """Fit the return model; each block's ridge is estimated (empirical Bayes with a prior) unless the block is too
    small.

    Risks use the expected hazard: half the variance is added to the linear predictor.

    Parameters
    ----------
    features
        Feature table with the air.
    columns
        Columns of the model, sorted by block (`preprocessing.risk_columns`).
    follow_up
        Follow-up of these bleeds; at least one return.
    settings
        Follow-up window and weight of the prior.
    initial_model
        Fitted model that gives starting values.
    """
    window_days = settings.window_days
    inputs = fit_preprocessor(columns, features)
    x = inputs.transform(features)
    start = None if initial_model is None else _initial_coefficients(initial_model, inputs)
    blocks = _ridge_blocks(inputs, settings.prior_df)
    model = CoxModel.fit(x, follow_up.days, follow_up.returned, blocks=blocks, start=start)
    linear = model.linear_predictor(x)
    slope = recalibration_slope(linear, follow_up, window_days)
    technician_columns = [
        i for i, column in enumerate(inputs.columns) if column.block == TECHNICIAN_BLOCK and column.form == "is"
    ]
    expected = slope * linear + 0.5 * slope**2 * _linear_predictor_variance(x, model.covariance)
    return HazardModel(
        inputs=inputs,
        coefficients=slope * model.coefficients,
        covariance=slope**2 * model.covariance,
        technician_variance=float(slope**2 / max(model.penalties[technician_columns[0]], 1e-6))
        if technician_columns
        else 0.0,
        window=WindowHazard(
            baseline_cumulative_hazard(expected, follow_up, window_days),
            _survival_to_next_bleed(follow_up, window_days),
        ),
    )


def _initial_coefficients(model: HazardModel, inputs: FittedPreprocessor) -> FloatArray:
    """Coefficients of another model on the scale of these columns; 0 for columns it lacks."""
    per_unit = dict(zip(model.inputs.columns, model.coefficients / model.inputs.scale, strict=True))
    return np.array([per_unit.get(column, 0.0) for column in inputs.columns]) * inputs.scale


def _ridge_blocks(inputs: FittedPreprocessor, prior_df: float) -> list[Block]:
    blocks, start = [], 0
    for name, columns in groupby(inputs.columns, key=lambda column: column.block):
        stop = start + len(list(columns))
        if name in PRIOR_PENALTIES:
            blocks.append(Block(start, stop, PRIOR_PENALTIES[name]))
        else:
            blocks.append(Block(start, stop, 1 / PRIOR_VARIANCES[name], pooled=True, prior_df=prior_df))
        start = stop
    return blocks


def _linear_predictor_variance(x: FloatArray, covariance: FloatArray) -> FloatArray:
    return np.maximum(np.einsum("ij,ij->i", x @ covariance, x), 0.0)


def _survival_to_next_bleed(follow_up: FollowUp, window_days: int) -> FloatArray:
    """Kaplan–Meier of the days to the brake's next bleed, just before each day from 0 to the window's end."""
    survival = kaplan_meier(follow_up.days, follow_up.next_bleed, window_days)
    return np.concatenate([[1.0], survival[:-1]])


def recalibration_slope(log_hazard: FloatArray, follow_up: FollowUp, window_days: int) -> float:
    """Factor by which log hazards fitted to the whole follow-up hold within the window.

    The slope fitted to the window's returns over that fitted to all returns, shrunk towards 1 by its error. Below 1
    where effects grow with time, above 1 where they fade.

    Parameters
    ----------
    log_hazard
        As fitted to `follow_up` (n).
    follow_up
        Whole follow-up.
    window_days
        Follow-up window.
    """
    early = follow_up.censor_all_at(window_days)
    if early.returned.sum() < MIN_RETURNS or log_hazard.std() < 1e-6:
        return 1.0
    (whole, whole_variance), (window, window_variance) = (
        _cox_slope(log_hazard, follow_up),
        _cox_slope(log_hazard, early),
    )
    if whole <= 0:
        return 1.0
    # the window's returns are among all returns, so the variance of the ratio is about the difference of the variances
    variance = max(window_variance - whole_variance, 0.0) / whole**2
    weight = SLOPE_PRIOR_SD**2 / (SLOPE_PRIOR_SD**2 + variance)
    return float(np.clip(1 + weight * (window / whole - 1), MIN_SLOPE, MAX_SLOPE))


def _cox_slope(log_hazard: FloatArray, follow_up: FollowUp) -> tuple[float, float]:
    """Cox slope of the log hazard, and its variance."""
    x = (log_hazard - log_hazard.mean())[:, None]
    model = CoxModel.fit(x, follow_up.days, follow_up.returned)
    return float(model.coefficients[0]), float(model.covariance[0, 0])


def baseline_cumulative_hazard(log_hazard: FloatArray, follow_up: FollowUp, window_days: int) -> FloatArray:
    """Baseline cumulative hazard by day, from 0 to the window's end, at log hazard 0.

    Breslow's estimate from the window's returns, scaled towards the level of a Weibull curve through all returns. The
    weight of the curve is the variance it saves over that plus its typical squared error, so it vanishes with some
    hundred returns.

    Parameters
    ----------
    log_hazard
        Within the window (n).
    follow_up
        Whole follow-up; at least one return.
    window_days
        Follow-up window.
    """
    window = follow_up.censor_all_at(window_days)
    hazard = breslow(log_hazard, window.days, window.returned, np.arange(window_days + 1))
    returns = int(window.returned.sum())
    if not returns or len(np.unique(follow_up.days[follow_up.returned])) < 2:
        return hazard
    with np.errstate(all="ignore"):
        level, variance = _weibull_baseline(log_hazard, follow_up, window_days)
    if not (np.isfinite(level) and np.isfinite(variance)):  # no Weibull fits, as where every return is on the next day
        return hazard
    # the curve uses all returns, so the noise it removes is the difference of the variances
    saved_variance = max(1 / returns - variance, 0.0)
    weight = saved_variance / (saved_variance + CURVE_ERROR_SD**2)
    return np.asarray(hazard * np.exp(weight * (level - np.log(hazard[-1]))))


def _weibull_baseline(log_hazard: FloatArray, follow_up: FollowUp, window_days: int) -> tuple[float, float]:
    """Log cumulative hazard of a Weibull baseline at the window, and its variance; a return on day 0 counts as half
    a day.
    """
    days = np.flatnonzero(np.bincount(follow_up.days))
    t = np.log(np.maximum(days, 0.5) / window_days)
    returns = np.bincount(follow_up.days[follow_up.returned], minlength=days[-1] + 1)[days].astype(float)
    hazard = np.bincount(follow_up.days, np.exp(log_hazard))[days]
    shape = np.exp(weibull_log_shape(t, returns, np.log(hazard)))
    weight = hazard * np.exp(shape * t)
    returns_total, total = int(returns.sum()), weight.sum()
    centre = float(weight @ t / total)
    variance = float(weight @ (t - centre) ** 2 / total)
    # information on the level after profiling out the shape
    information = returns_total - (returns_total * centre) ** 2 / (
        returns_total / shape**2 + returns_total * (variance + centre**2)
    )
    return float(np.log(returns_total / total)), 1 / information
