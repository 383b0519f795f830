"""What each thing adds to a bleed's risk: shares that add up to the risk, against the shop's usual bleed.

The log of the hazard that the return model expects is a sum over columns, each centred at its mean. The air is told by
what it comes from, the work and the readings; of a product either factor has half. Sums become log odds, and log odds
risk, in proportion (the Aumann–Shapley share of a function of a sum, and of a product: R. J. Aumann & L. S. Shapley 1974,
Values of Non-Atomic Games).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.calibration import odds
from analysis.risk.feature_spec import AIR
from analysis.risk.feature_table import FeatureTable
from analysis.risk.model import DesignRows, Predictions, RiskModel
from analysis.risk.preprocessing import Column

FloatArray = NDArray[np.float64]
FLAT, MIN_PUSH = 1e-6, 1e-12


@dataclass(frozen=True)
class Attributions:
    """`reference_risk` + the sum of a row of `added` = the bleed's risk; `log_odds` adds up likewise on the log odds; `predictions` is what
    the model tells of the same bleeds."""

    feature_groups: tuple[str, ...]
    reference_risk: float
    added: FloatArray = field(repr=False)
    log_odds: FloatArray = field(repr=False)
    predictions: Predictions = field(repr=False)


def attributions(model: RiskModel, table: pl.DataFrame) -> Attributions:
    """The shares of each theme in each bleed's risk.

    Parameters
    ----------
    model
        A fitted model.
    table
        `BleedFeatures.table`.
    """
    return attribute_rows(model, model.design_rows(FeatureTable(table)))


def attribute_rows(model: RiskModel, rows: DesignRows) -> Attributions:
    """`attributions`, of bleeds whose columns are made already."""
    columns, values = model.hazard.inputs.columns, model.hazard.contributions(rows.x)
    eta = values.sum(axis=1)
    predictions = model.predict_rows(rows, eta)
    origins, pushes = model.air.attributions(rows.work, rows.readings)
    names = tuple(sorted({*origins, *(column.feature_group for column in columns if _group_share(column))}))
    log_odds = _by_feature_group(columns, names).T @ values.T
    log_odds[[names.index(theme) for theme in origins]] += _air_attributions(columns, values, pushes)
    usual_odds = _odds(model, np.zeros(1))
    log_odds *= model.calibration.slope * _slope(predictions.log_odds - usual_odds, eta)
    usual_risk = float(model.calibrated(usual_odds)[0])
    added = log_odds * _slope(predictions.risk - usual_risk, log_odds.sum(axis=0))
    return Attributions(names, usual_risk, added.T, log_odds.T, predictions)


def _group_share(column: Column) -> float:
    """How much of what a column adds is its theme's: of a product with the air half, of the air nothing."""
    return 0.5 if column.form == "times" else float(column.feature_group != AIR)


def _by_feature_group(columns: Sequence[Column], names: tuple[str, ...]) -> FloatArray:
    """One row a column, one column a theme: how much of what the column adds is the theme's."""
    whose = np.zeros((len(columns), len(names)))
    for place, column in enumerate(columns):
        if _group_share(column):
            whose[place, names.index(column.feature_group)] = _group_share(column)
    return whose


def _air_attributions(columns: Sequence[Column], values: FloatArray, pushes: FloatArray) -> FloatArray:
    """What the air adds, and half of its products, shared among what pushes it that way: up where a column adds, down
    where it takes; as `pushes`, one row a theme."""
    share = np.array([1 - _group_share(column) for column in columns])
    own, shared = np.flatnonzero(share), np.zeros_like(pushes)
    for sign in (1.0, -1.0):
        amount = sign * (np.maximum(sign * values[:, own], 0.0) @ share[own])
        pushed = np.maximum(sign * pushes, 0.0)
        pushed += MIN_PUSH
        pushed *= amount / pushed.sum(axis=0)
        shared += pushed
    return shared


def _odds(model: RiskModel, log_hazard: FloatArray) -> FloatArray:
    return odds(model.hazard.window.risk(log_hazard))


def _slope(rise: FloatArray, run: FloatArray) -> FloatArray:
    """Rise over run; where nothing moved, nothing is shared."""
    still = np.abs(run) < FLAT
    return np.where(still, 0.0, rise / np.where(still, 1.0, run))
