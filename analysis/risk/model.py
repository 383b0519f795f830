"""The risk model: the stand's expectations, the return model and the trees, blended and calibrated; one frozen object."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.followup import late_models
from analysis.regression import in_turn
from analysis.risk.calibration import Calibration, calibrated, odds
from analysis.risk.cells import Cells, in_parts
from analysis.risk.columns import Column
from analysis.risk.course import Course, window_slope
from analysis.risk.features import BleedFeatures
from analysis.risk.hazard import HazardPart, hazard_part
from analysis.risk.layout import PEOPLE, reading_columns, sign_columns, stand_columns, work_columns
from analysis.risk.stand import Stand, stand_of
from analysis.risk.trees import Trees, grown_trees
from analysis.stats import Z95

Numbers = NDArray[np.float64]
BLEND = 0.8
"""The return model's weight in the blended log odds; the trees have the rest."""
CHUNK = 50_000
"""Bleeds told at a time."""
JUDGED_FOR_WEAR = 20_000
"""Bleeds, spread over the log, from which it is told whether a brake model wears out."""
TOLD = ("risk", "lo", "hi", "log_odds")


@dataclass(frozen=True)
class Told:
    """What a model says of bleeds, one a row: the risk, its 95% limits, and the blended log odds before calibration."""

    risk: Numbers
    lo: Numbers
    hi: Numbers
    log_odds: Numbers = field(repr=False)


@dataclass(frozen=True)
class RiskModel:
    """A fitted model of the risk of a re-bleed return within the window and before the brake's next bleed."""

    stand: Stand
    hazard: HazardPart
    trees: Trees
    calibration: Calibration = field(default_factory=Calibration)

    def told(self, bleeds: pl.DataFrame | Cells) -> Told:
        """Risk and limits of bleeds: new technicians, new models and readings not recorded are met with the usual.

        The risk is that of the hazard expected. The limits carry the return model's uncertainty (delta method, on the log
        hazard) and, for a technician it has not met, how much technicians differ.
        """
        parts = list(in_turn(self._some, list(in_parts(bleeds, CHUNK))))
        return Told(*(np.concatenate([getattr(part, name) for part in parts]) for name in TOLD))

    def _some(self, cells: Cells) -> Told:
        whole = self.stand.beside(cells)
        x = self.hazard.inputs.matrix(whole)
        middle, variance = x @ self.hazard.coefficients, self.hazard.variance(x)
        error = Z95 * np.sqrt(np.maximum(variance + self.hazard.people_variance * self._unmet(cells), 0.0))
        by_hazard = odds(self.hazard.window.risk(middle + 0.5 * variance))
        blended = BLEND * by_hazard + (1 - BLEND) * self.by_trees(whole)
        lo = blended + odds(self.hazard.window.risk(middle - error)) - by_hazard
        hi = blended + odds(self.hazard.window.risk(middle + error)) - by_hazard
        return Told(self.calibrated(blended), self.calibrated(lo), self.calibrated(hi), blended)

    def by_trees(self, whole: Cells) -> Numbers:
        """Log odds by the trees, of cells with the stand's expectations."""
        return odds(self.hazard.window.risk(self.trees.log_hazard(self.trees.matrix(whole))))

    def calibrated(self, log_odds: Numbers) -> Numbers:
        return calibrated(log_odds, self.calibration)

    def with_calibration(self, calibration: Calibration) -> RiskModel:
        return replace(self, calibration=calibration)

    def _unmet(self, cells: Cells) -> NDArray[np.bool_]:
        met = {column.level for column in self.hazard.inputs.columns if column.block == PEOPLE}
        technician = cells.words("technician")
        return np.array([*(level not in met for level in technician.levels), True])[technician.place]


def risk_model(features: BleedFeatures, course: Course, window_days: int, rng: np.random.Generator) -> RiskModel:
    """Fit the model.

    Parameters
    ----------
    features
        Of the bleeds to learn from.
    course
        What became of them, row by row.
    window_days
        The window.
    rng
        For the trees.
    """
    course = _without_wear(features.table, course, window_days)
    stand = stand_of(features)
    whole = stand.beside(features.cells)
    hazard = hazard_part(whole, _columns(features), course, window_days)
    trees = grown_trees(whole, features.steps, course.returned, hazard.exposure(course), rng)
    return RiskModel(stand, hazard, _in_window(trees, whole, hazard, course, window_days))


def _in_window(trees: Trees, whole: Cells, hazard: HazardPart, course: Course, window_days: int) -> Trees:
    """The trees as they hold within the window: as many returns in it as the return model expects."""
    by_trees = trees.log_hazard(trees.matrix(whole))
    slope = window_slope(by_trees, course, window_days)
    exposure = hazard.window.hazard[course.within(window_days).days]
    told = float(exposure @ np.exp(slope * by_trees))
    expected = float(exposure @ np.exp(hazard.log_hazard(hazard.inputs.matrix(whole))))
    return trees.scaled(slope, float(np.log(expected / told)) if expected > 0 and told > 0 else 0.0)


def _without_wear(table: pl.DataFrame, course: Course, window_days: int) -> Course:
    """The course with bleeds of brake models that wear out followed for the window alone.

    Their late returns are the part's, not the bleed's, and a hazard that keeps its proportions would bring them forward.
    """
    rows = np.linspace(0, len(course.days) - 1, min(len(course.days), JUDGED_FOR_WEAR)).astype(np.intp)
    ends = pl.Series(np.where(course.returned, "return", "as_of"))
    told = table.select("brake_model").with_columns(days_at_risk=pl.Series(course.days), end=ends)[rows]
    late = [one.brake_model for one in late_models(told)]
    wears = table.get_column("brake_model").is_in(late).fill_null(False).to_numpy()
    return course.cut(np.where(wears, window_days, course.days))


def _columns(features: BleedFeatures) -> list[Column]:
    return [*work_columns(features), *reading_columns(), *sign_columns(), *stand_columns()]
