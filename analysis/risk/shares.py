"""What each thing adds to a bleed's risk: shares that add up to the risk, against the shop's usual bleed.

The log of the hazard that the return model expects is a sum over columns, each centred at its mean. The air is told by
what it comes from, the work and the readings; of a product either factor has half. Sums become log odds, and log odds
risk, in proportion (the Aumann–Shapley share of a function of a sum, and of a product: R. J. Aumann & L. S. Shapley 1974,
Values of Non-Atomic Games).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.calibration import odds
from analysis.risk.cells import Cells
from analysis.risk.columns import Column
from analysis.risk.layout import AIR
from analysis.risk.model import RiskModel

Numbers = NDArray[np.float64]
FLAT, LEAST_PUSH = 1e-6, 1e-12


@dataclass(frozen=True)
class Shares:
    """`usual` + the sum of a row of `added` = the bleed's risk; `log_odds` adds up likewise on the log odds."""

    themes: tuple[str, ...]
    usual: float
    added: Numbers = field(repr=False)
    log_odds: Numbers = field(repr=False)


def risk_shares(model: RiskModel, table: pl.DataFrame) -> Shares:
    """The shares of each theme in each bleed's risk.

    Parameters
    ----------
    model
        A fitted model.
    table
        `BleedFeatures.table`.
    """
    cells = Cells(table)
    x = model.hazard.inputs.matrix(model.air.beside(cells))
    adds = model.hazard.adds(x)
    eta = adds.sum(axis=1)
    usual_odds, origins = _odds(model, np.zeros(1)), model.air.origins(cells)
    to_odds = _slope(_odds(model, eta) - usual_odds, eta)
    themes: dict[str, Numbers] = {}
    for column, values in zip(model.hazard.inputs.columns, (adds * to_odds[:, None]).T, strict=True):
        for theme, part in _parts(column, values, origins):
            themes[theme] = themes.get(theme, 0.0) + part
    names = tuple(sorted(themes))
    added = model.calibration.slope * np.stack([themes[name] for name in names]).T
    usual_risk = float(model.calibrated(usual_odds)[0])
    risk = model.calibrated(usual_odds + added.sum(axis=1) / model.calibration.slope)
    return Shares(names, usual_risk, added * _slope(risk - usual_risk, added.sum(axis=1))[:, None], added)


def _parts(column: Column, values: Numbers, origins: dict[str, Numbers]) -> Iterator[tuple[str, Numbers]]:
    """The themes that what a column adds belongs to, each with its part."""
    if column.form == "times":
        yield column.theme, values / 2
        yield from _by_origin(values / 2, origins)
    elif column.theme == AIR:
        yield from _by_origin(values, origins)
    else:
        yield column.theme, values


def _by_origin(values: Numbers, origins: dict[str, Numbers]) -> Iterator[tuple[str, Numbers]]:
    """What the air adds, shared among what pushes it that way: up where it adds, down where it takes."""
    pushes = {theme: np.maximum(push * np.sign(values), 0.0) + LEAST_PUSH for theme, push in origins.items()}
    whole = sum(pushes.values(), start=np.zeros(len(values)))
    for theme, push in pushes.items():
        yield theme, values * push / whole


def _odds(model: RiskModel, log_hazard: Numbers) -> Numbers:
    return odds(model.hazard.window.risk(log_hazard))


def _slope(rise: Numbers, run: Numbers) -> Numbers:
    """Rise over run; where nothing moved, nothing is shared."""
    still = np.abs(run) < FLAT
    return np.where(still, 0.0, rise / np.where(still, 1.0, run))
