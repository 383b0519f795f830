"""The return model of the risk: each bleed's log hazard from its columns, and the risk at the window it comes to."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from analysis.risk.baseline_hazard import baseline_cumulative_hazard
from analysis.risk.feature_spec import PRIOR_DF, PRIOR_PENALTIES, PRIOR_VARIANCES, TECHNICIAN_BLOCK, sort_by_block
from analysis.risk.feature_table import FeatureTable
from analysis.risk.outcome import FollowUp, recalibration_slope
from analysis.risk.preprocessing import Column, FittedPreprocessor, fit_preprocessor
from analysis.survival import Block, CoxModel, SurvivalModel, kaplan_meier

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Window:
    """How a hazard comes to a risk: the baseline's cumulative hazard and the share of brakes whose next bleed has not
    come yet, by day 0 to the window's last."""

    baseline_cumulative_hazard: FloatArray
    survival_to_next_bleed: FloatArray

    def risk(self, log_hazard: FloatArray) -> FloatArray:
        """The chance of a return within the window and before the brake's next bleed."""
        relative = np.exp(np.clip(log_hazard, -30.0, 30.0))
        surviving = np.exp(-relative[:, None] * self.baseline_cumulative_hazard)
        ended = -np.diff(surviving, axis=1, prepend=1.0)
        return np.clip(ended @ self.survival_to_next_bleed, 1e-6, 1 - 1e-6)


@dataclass(frozen=True)
class HazardModel:
    """A fitted return model: log hazard = columns · coefficients; `technician_variance` is what a new technician may add.

    Both are the window's own (`recalibration_slope`).
    """

    inputs: FittedPreprocessor
    coefficients: FloatArray = field(repr=False)
    covariance: FloatArray = field(repr=False)
    technician_variance: float
    window: Window

    def linear_predictor(self, x: FloatArray) -> FloatArray:
        """Each row's log hazard at the coefficients."""
        return x @ self.coefficients

    def variance(self, x: FloatArray) -> FloatArray:
        """Of each row's log hazard, for technicians the model has met."""
        return _variance(x, self.covariance)

    def contributions(self, x: FloatArray) -> FloatArray:
        """What each column adds to the logarithm of the expected hazard, n × p as `x`: its part of `linear_predictor`, and of half the
        variance."""
        return x * (x @ (0.5 * self.covariance) + self.coefficients)


def fit_hazard_model(
    features: FeatureTable,
    columns: list[Column],
    follow_up: FollowUp,
    window_days: int,
    initial_model: HazardModel | None = None,
    survival: type[SurvivalModel] = CoxModel,
) -> HazardModel:
    """Fit the return model, every block's ridge estimated (empirical Bayes with a prior) but those too small.

    The predicted hazard is the expected one: half the variance above the linear predictor on the log scale.

    Parameters
    ----------
    features
        Features, with the air.
    columns
        What the hazard depends on.
    follow_up
        The follow-up of these bleeds; at least one return.
    window_days
        The window.
    initial_model
        That of other bleeds, at whose coefficients the search starts.
    survival
        The time-to-return model.
    """
    inputs = fit_preprocessor(sort_by_block(columns), features)
    x = inputs.transform(features)
    start = None if initial_model is None else _initial_coefficients(initial_model, inputs)
    model = survival.fit(x, follow_up.days, follow_up.returned, blocks=_blocks(inputs), start=start)
    linear = model.linear_predictor(x)
    slope = recalibration_slope(linear, follow_up, window_days)
    people = [i for i, column in enumerate(inputs.columns) if column.block == TECHNICIAN_BLOCK and column.form == "is"]
    expected = slope * linear + 0.5 * slope**2 * _variance(x, model.covariance)
    return HazardModel(
        inputs=inputs,
        coefficients=slope * model.coefficients,
        covariance=slope**2 * model.covariance,
        technician_variance=float(slope**2 / max(model.penalties[people[0]], 1e-6)) if people else 0.0,
        window=Window(
            baseline_cumulative_hazard(expected, follow_up, window_days),
            _survival_to_next_bleed(follow_up, window_days),
        ),
    )


def _initial_coefficients(model: HazardModel, inputs: FittedPreprocessor) -> FloatArray:
    """What each of the columns adds by that part, on the scale they have here; 0 for those it has not."""
    each = dict(zip(model.inputs.columns, model.coefficients / model.inputs.scale, strict=True))
    return np.array([each.get(column, 0.0) for column in inputs.columns]) * inputs.scale


def _blocks(inputs: FittedPreprocessor) -> list[Block]:
    blocks, place = [], 0
    for name, columns in groupby(inputs.columns, key=lambda column: column.block):
        stop = place + len(list(columns))
        if name in PRIOR_PENALTIES:
            blocks.append(Block(place, stop, PRIOR_PENALTIES[name]))
        else:
            blocks.append(Block(place, stop, 1 / PRIOR_VARIANCES[name], pooled=True, prior_df=PRIOR_DF))
        place = stop
    return blocks


def _variance(x: FloatArray, covariance: FloatArray) -> FloatArray:
    return np.maximum(np.einsum("ij,ij->i", x @ covariance, x), 0.0)


def _survival_to_next_bleed(follow_up: FollowUp, window_days: int) -> FloatArray:
    """Kaplan–Meier of the days to the brake's next bleed, just before each day."""
    survival = kaplan_meier(follow_up.days, follow_up.next_bleed, window_days)
    return np.concatenate([[1.0], survival[:-1]])
