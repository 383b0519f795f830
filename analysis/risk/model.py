"""The risk model: the air that all readings tell of together, the return model, the calibration; one frozen object."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.followup import late_models
from analysis.regression import Floats, in_turn
from analysis.risk.air import Air, readings_of
from analysis.risk.air_learnt import air_of
from analysis.risk.calibration import Calibration, calibrated, odds
from analysis.risk.cells import Cells, in_parts
from analysis.risk.columns import Column
from analysis.risk.course import Course
from analysis.risk.features import BleedFeatures
from analysis.risk.hazard import HazardPart, hazard_part
from analysis.risk.layout import AIR, PEOPLE, air_columns, reading_columns, sign_columns, work_columns
from analysis.stats import Z95

Numbers = NDArray[np.float64]
CHUNK = 20_000
"""Bleeds told at a time."""
JUDGED_FOR_WEAR = 20_000
"""Bleeds, spread over the log, from which it is told whether a brake model wears out."""
TOLD = ("risk", "lo", "hi", "log_odds")


@dataclass(frozen=True)
class Told:
    """What a model says of bleeds, one a row: the risk, its 95% limits, and the log odds before calibration."""

    risk: Numbers
    lo: Numbers
    hi: Numbers
    log_odds: Numbers = field(repr=False)


@dataclass(frozen=True)
class Seen:
    """Some bleeds, n of them, as a model sees them: the n × columns of the `work` and the readings × n from which the air is
    told, and the return model's columns `x`, n × p."""

    cells: Cells
    work: Floats
    readings: Numbers
    x: Floats


@dataclass(frozen=True)
class RiskModel:
    """A fitted model of the risk of a re-bleed return within the window and before the brake's next bleed."""

    air: Air
    hazard: HazardPart
    calibration: Calibration = field(default_factory=Calibration)

    def told(self, bleeds: pl.DataFrame | Cells) -> Told:
        """Risk and limits of bleeds: new technicians, new models and readings not recorded are met with the usual.

        The risk is that of the hazard expected. The limits carry the return model's uncertainty (delta method, on the log
        hazard) and, for a technician it has not met, how much technicians differ.
        """
        return told_together(in_turn(lambda cells: self.told_of(self.seen(cells)), list(in_parts(bleeds, CHUNK))))

    def seen(self, cells: Cells) -> Seen:
        """Some bleeds, their columns made once for all that is told of them."""
        work, readings = self.air.inputs.matrix(cells), readings_of(cells)
        air = self.air.told(self.air.expected(work), readings)
        return Seen(cells, work, readings, self.hazard.inputs.matrix(cells.beside({AIR: air})))

    def told_of(self, seen: Seen, log_hazard: Numbers | None = None) -> Told:
        """`told`, of bleeds seen already; their `log_hazard` may be known, from which the variance follows."""
        middle = self.hazard.middle(seen.x)
        variance = self.hazard.variance(seen.x) if log_hazard is None else 2 * (log_hazard - middle)
        error = Z95 * np.sqrt(np.maximum(variance + self.hazard.people_variance * self._unmet(seen.cells), 0.0))
        at = np.concatenate([middle + 0.5 * variance, middle - error, middle + error])
        expected, lo, hi = odds(self.hazard.window.risk(at)).reshape(3, -1)
        return Told(self.calibrated(expected), self.calibrated(lo), self.calibrated(hi), expected)

    def calibrated(self, log_odds: Numbers) -> Numbers:
        return calibrated(log_odds, self.calibration)

    def with_calibration(self, calibration: Calibration) -> RiskModel:
        return replace(self, calibration=calibration)

    def _unmet(self, cells: Cells) -> NDArray[np.bool_]:
        met = {column.level for column in self.hazard.inputs.columns if column.block == PEOPLE}
        technician = cells.words("technician")
        return np.array([*(level not in met for level in technician.levels), True])[technician.place]


def told_together(parts: Iterable[Told]) -> Told:
    """What was told of bleeds part by part."""
    told = list(parts)
    return Told(*(np.concatenate([getattr(part, name) for part in told]) for name in TOLD))


def risk_model(features: BleedFeatures, course: Course, window_days: int, near: RiskModel | None = None) -> RiskModel:
    """Fit the model.

    Parameters
    ----------
    features
        Of the bleeds to learn from.
    course
        What became of them, row by row.
    window_days
        The window.
    near
        One of other bleeds of the shop: the search begins where its own ended.
    """
    air = air_of(features)
    course = _without_wear(features.table, course, window_days)
    began = None if near is None else near.hazard
    return RiskModel(air, hazard_part(air.beside(features.cells), _columns(features), course, window_days, began))


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
    return [*work_columns(features), *reading_columns(), *sign_columns(), *air_columns(features)]
