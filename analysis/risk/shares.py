"""What each thing adds to a bleed's risk: shares that add up to the risk, against the shop's usual bleed.

The log of the hazard that the return model expects is a sum over columns, each centred at its mean. The air is told by
what it comes from, the work and the readings; of a product either factor has half. Sums become log odds, and log odds
risk, in proportion (the Aumann–Shapley share of a function of a sum, and of a product: R. J. Aumann & L. S. Shapley 1974,
Values of Non-Atomic Games).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.calibration import odds
from analysis.risk.cells import Cells
from analysis.risk.columns import Column
from analysis.risk.layout import AIR
from analysis.risk.model import RiskModel, Seen, Told

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
    told: Told = field(repr=False)


def risk_shares(model: RiskModel, table: pl.DataFrame) -> Shares:
    """The shares of each theme in each bleed's risk.

    Parameters
    ----------
    model
        A fitted model.
    table
        `BleedFeatures.table`.
    """
    return shares_of(model, model.seen(Cells(table)))


def shares_of(model: RiskModel, seen: Seen) -> Shares:
    """`risk_shares`, of bleeds seen already."""
    values, usual_odds = model.hazard.adds(seen.x), _odds(model, np.zeros(1))
    eta = values.sum(axis=1)
    told = model.told_of(seen, eta)
    themes = _by_theme(model.hazard.inputs.columns, values)
    for theme, part in _of_air(model.hazard.inputs.columns, values, model.air.origins(seen.work, seen.readings)):
        themes[theme] = themes.get(theme, 0.0) + part
    names = tuple(sorted(themes))
    slope = model.calibration.slope * _slope(told.log_odds - usual_odds, eta)
    log_odds = np.stack([themes[name] for name in names]) * slope
    usual_risk = float(model.calibrated(usual_odds)[0])
    added = log_odds * _slope(told.risk - usual_risk, log_odds.sum(axis=0))
    return Shares(names, usual_risk, added.T, log_odds.T, told)


def _by_theme(columns: Sequence[Column], values: Numbers) -> dict[str, Numbers]:
    """What the columns of each theme add; of a product with the air half, of the air nothing."""
    names = sorted({column.theme for column in columns if column.form == "times" or column.theme != AIR})
    whose = np.zeros((len(columns), len(names)))
    for place, column in enumerate(columns):
        if column.theme in names:
            whose[place, names.index(column.theme)] = 0.5 if column.form == "times" else 1.0
    return dict(zip(names, (values @ whose).T, strict=True))


def _of_air(columns: Sequence[Column], values: Numbers, origins: dict[str, Numbers]) -> Iterator[tuple[str, Numbers]]:
    """What the air adds, and half of its products, shared among what pushes it that way: up where a column adds, down
    where it takes."""
    share = np.array([0.5 if column.form == "times" else float(column.theme == AIR) for column in columns])
    own = np.flatnonzero(share)
    for sign in (1.0, -1.0):
        amount = sign * (np.maximum(sign * values[:, own], 0.0) @ share[own])
        pushes = {theme: np.maximum(sign * push, 0.0) + LEAST_PUSH for theme, push in origins.items()}
        whole = sum(pushes.values(), start=np.zeros(len(values)))
        for theme, push in pushes.items():
            yield theme, amount * push / whole


def _odds(model: RiskModel, log_hazard: Numbers) -> Numbers:
    return odds(model.hazard.window.risk(log_hazard))


def _slope(rise: Numbers, run: Numbers) -> Numbers:
    """Rise over run; where nothing moved, nothing is shared."""
    still = np.abs(run) < FLAT
    return np.where(still, 0.0, rise / np.where(still, 1.0, run))
