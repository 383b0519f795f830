"""What each thing adds to a bleed's risk: shares that add up to the risk, against the shop's usual bleed.

The log of the hazard that the return model expects is a sum over columns, each centred at its mean; the stand's
expectations are told by the columns they come from. The trees' log hazard is the sum of its changes down each tree.
Sums become log odds, and log odds risk, in proportion (the Aumann–Shapley share of a function of a sum: R. J. Aumann
& L. S. Shapley 1974, Values of Non-Atomic Games).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.calibration import odds
from analysis.risk.cells import Cells
from analysis.risk.layout import STAND
from analysis.risk.model import BLEND, RiskModel
from analysis.risk.stand import Expected

Numbers = NDArray[np.float64]
FLAT = 1e-6


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
    whole, seen = model.stand.beside_and_from(Cells(table))
    themes: dict[str, Numbers] = {}
    x = model.hazard.inputs.matrix(whole)
    adds = model.hazard.adds(x)
    eta = adds.sum(axis=1)
    usual_odds, hazard_odds = _odds(model, np.zeros(1)), _odds(model, eta)
    to_odds = BLEND * _slope(hazard_odds - usual_odds, eta)
    parts = _origins(model, seen)
    for place, column in enumerate(model.hazard.inputs.columns):
        _add(themes, column.theme, adds[:, place] * to_odds, parts)
    cells = model.trees.matrix(whole)
    told, usual = model.trees.log_hazard(cells), np.array([model.trees.usual])
    to_odds = (1 - BLEND) * _slope(_odds(model, told) - _odds(model, usual), told - usual)
    by_input = model.trees.shares(cells)
    for place, column in enumerate(model.trees.inputs):
        _add(themes, column.theme, by_input[:, place] * to_odds, parts)
    base = BLEND * usual_odds + (1 - BLEND) * _odds(model, usual)
    names = tuple(sorted(themes))
    added = model.calibration.slope * np.stack([themes[name] for name in names]).T
    usual_risk = float(model.calibrated(base)[0])
    risk = model.calibrated(base + added.sum(axis=1) / model.calibration.slope)
    return Shares(names, usual_risk, added * _slope(risk - usual_risk, added.sum(axis=1))[:, None], added)


@dataclass(frozen=True)
class _Origin:
    """Where an expectation of the stand comes from: each theme's part in it, centred, one row a theme."""

    themes: tuple[str, ...]
    parts: Numbers


def _origins(model: RiskModel, seen: tuple[Numbers | None, ...]) -> dict[str, _Origin]:
    told = zip(STAND, model.stand.expected, seen, strict=True)
    return {name: _origin(one, x) for name, one, x in told if one is not None and x is not None}


def _origin(one: Expected, x: Numbers) -> _Origin:
    themes = [column.theme for column in one.inputs.columns]
    names = tuple(sorted(set(themes)))
    own = np.array([[theme == name for theme in themes] for name in names], dtype=float)
    return _Origin(names, (own * one.b) @ x.T)


def _add(themes: dict[str, Numbers], theme: str, values: Numbers, origins: dict[str, _Origin]) -> None:
    if theme not in origins:
        themes[theme] = themes.get(theme, 0.0) + values
        return
    origin = origins[theme]
    pushes = np.maximum(origin.parts * np.sign(values), 0.0) + 1e-12
    pushes *= values / pushes.sum(axis=0)
    for name, shared in zip(origin.themes, pushes, strict=True):
        themes[name] = themes.get(name, 0.0) + shared


def _odds(model: RiskModel, log_hazard: Numbers) -> Numbers:
    return odds(model.hazard.window.risk(log_hazard))


def _slope(rise: Numbers, run: Numbers) -> Numbers:
    """Rise over run; where nothing moved, nothing is shared."""
    still = np.abs(run) < FLAT
    return np.where(still, 0.0, rise / np.where(still, 1.0, run))
