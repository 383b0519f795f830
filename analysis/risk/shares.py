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
from analysis.risk.cells import Cells
from analysis.risk.columns import Column
from analysis.risk.layout import AIR
from analysis.risk.model import DesignRows, Predictions, RiskModel

Numbers = NDArray[np.float64]
FLAT, LEAST_PUSH = 1e-6, 1e-12


@dataclass(frozen=True)
class Shares:
    """`usual` + the sum of a row of `added` = the bleed's risk; `log_odds` adds up likewise on the log odds; `told` is what
    the model tells of the same bleeds."""

    themes: tuple[str, ...]
    usual: float
    added: Numbers = field(repr=False)
    log_odds: Numbers = field(repr=False)
    told: Predictions = field(repr=False)


def risk_shares(model: RiskModel, table: pl.DataFrame) -> Shares:
    """The shares of each theme in each bleed's risk.

    Parameters
    ----------
    model
        A fitted model.
    table
        `BleedFeatures.table`.
    """
    return shares_of(model, model.design_rows(Cells(table)))


def shares_of(model: RiskModel, rows: DesignRows) -> Shares:
    """`risk_shares`, of bleeds whose columns are made already."""
    columns, values = model.hazard.inputs.columns, model.hazard.adds(rows.x)
    eta = values.sum(axis=1)
    told = model.predict_rows(rows, eta)
    origins, pushes = model.air.origins(rows.work, rows.readings)
    names = tuple(sorted({*origins, *(column.theme for column in columns if _own_part(column))}))
    log_odds = _by_theme(columns, names).T @ values.T
    log_odds[[names.index(theme) for theme in origins]] += _of_air(columns, values, pushes)
    usual_odds = _odds(model, np.zeros(1))
    log_odds *= model.calibration.slope * _slope(told.log_odds - usual_odds, eta)
    usual_risk = float(model.calibrated(usual_odds)[0])
    added = log_odds * _slope(told.risk - usual_risk, log_odds.sum(axis=0))
    return Shares(names, usual_risk, added.T, log_odds.T, told)


def _own_part(column: Column) -> float:
    """How much of what a column adds is its theme's: of a product with the air half, of the air nothing."""
    return 0.5 if column.form == "times" else float(column.theme != AIR)


def _by_theme(columns: Sequence[Column], names: tuple[str, ...]) -> Numbers:
    """One row a column, one column a theme: how much of what the column adds is the theme's."""
    whose = np.zeros((len(columns), len(names)))
    for place, column in enumerate(columns):
        if _own_part(column):
            whose[place, names.index(column.theme)] = _own_part(column)
    return whose


def _of_air(columns: Sequence[Column], values: Numbers, pushes: Numbers) -> Numbers:
    """What the air adds, and half of its products, shared among what pushes it that way: up where a column adds, down
    where it takes; as `pushes`, one row a theme."""
    share = np.array([1 - _own_part(column) for column in columns])
    own, shared = np.flatnonzero(share), np.zeros_like(pushes)
    for sign in (1.0, -1.0):
        amount = sign * (np.maximum(sign * values[:, own], 0.0) @ share[own])
        pushed = np.maximum(sign * pushes, 0.0)
        pushed += LEAST_PUSH
        pushed *= amount / pushed.sum(axis=0)
        shared += pushed
    return shared


def _odds(model: RiskModel, log_hazard: Numbers) -> Numbers:
    return odds(model.hazard.window.risk(log_hazard))


def _slope(rise: Numbers, run: Numbers) -> Numbers:
    """Rise over run; where nothing moved, nothing is shared."""
    still = np.abs(run) < FLAT
    return np.where(still, 0.0, rise / np.where(still, 1.0, run))
