"""The risk model: the air that all readings show together, the return model, the calibration; one frozen object."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.calibration import Calibration, calibrated, odds
from analysis.risk.feature_spec import AIR, TECHNICIAN_BLOCK, air_columns, reading_columns, sign_columns, work_columns
from analysis.risk.feature_table import FeatureTable
from analysis.risk.features import BleedFeatures
from analysis.risk.hazard_model import HazardModel, fit_hazard_model
from analysis.risk.latent_air import LatentAirModel, readings_of
from analysis.risk.latent_air_em import fit_latent_air
from analysis.risk.outcome import FollowUp
from analysis.risk.preprocessing import Column
from analysis.stats import Z95
from analysis.survival import late_failure_models

FloatArray = NDArray[np.float64]
CHUNK = 20_000
"""Bleeds predicted at a time, so that their columns need little memory."""
PREDICTED = ("risk", "lo", "hi", "log_odds")


@dataclass(frozen=True)
class Predictions:
    """What a model says of bleeds, one a row: the risk, its 95% limits, and the log odds before calibration."""

    risk: FloatArray
    lo: FloatArray
    hi: FloatArray
    log_odds: FloatArray = field(repr=False)


@dataclass(frozen=True)
class DesignRows:
    """The columns of n bleeds: the n × columns of the `work` and the readings × n that the air is estimated from, and the
    return model's columns `x`, n × p."""

    cells: FeatureTable
    work: FloatArray
    readings: FloatArray
    x: FloatArray


@dataclass(frozen=True)
class RiskModel:
    """A fitted model of the risk of a re-bleed return within the window and before the brake's next bleed."""

    air: LatentAirModel
    hazard: HazardModel
    calibration: Calibration = field(default_factory=Calibration)

    @classmethod
    def fit(
        cls, features: BleedFeatures, follow_up: FollowUp, window_days: int, initial_model: RiskModel | None = None
    ) -> RiskModel:
        """Fit the model.

        Parameters
        ----------
        features
            Of the bleeds to learn from.
        follow_up
            Their follow-up, row by row.
        window_days
            The window.
        initial_model
            One of other bleeds of the shop, at whose coefficients the search starts.
        """
        air = fit_latent_air(features)
        follow_up = _without_wear(features.table, follow_up, window_days)
        start = None if initial_model is None else initial_model.hazard
        return cls(
            air,
            fit_hazard_model(air.with_air(features.feature_table), _columns(features), follow_up, window_days, start),
        )

    def predict(self, bleeds: pl.DataFrame) -> Predictions:
        """Risk and limits of bleeds (`BleedFeatures.table`); what the model has not met is taken as usual.

        The risk is that of the expected hazard. The limits carry the return model's uncertainty (delta method, on the log
        hazard) and, for a technician it has not met, how much technicians differ.
        """
        return joined_predictions(
            [self.predict_rows(self.design_rows(FeatureTable(part))) for part in in_parts(bleeds)]
        )

    def design_rows(self, features: FeatureTable) -> DesignRows:
        """The columns of some bleeds, made once for all that is predicted of them."""
        work, readings = self.air.inputs.transform(features), readings_of(features)
        air = self.air.predict(self.air.expected(work), readings)
        return DesignRows(features, work, readings, self.hazard.inputs.transform(features.with_numbers(AIR, air)))

    def predict_rows(self, rows: DesignRows, log_hazard: FloatArray | None = None) -> Predictions:
        """`predict`, of bleeds whose columns are made; the logarithm of the expected hazard may be known already."""
        middle = self.hazard.linear_predictor(rows.x)
        variance = self.hazard.variance(rows.x) if log_hazard is None else 2 * (log_hazard - middle)
        error = Z95 * np.sqrt(
            np.maximum(variance + self.hazard.technician_variance * self._unknown_levels(rows.cells), 0.0)
        )
        at = np.concatenate([middle + 0.5 * variance, middle - error, middle + error])
        expected, lo, hi = odds(self.hazard.window.risk(at)).reshape(3, -1)
        return Predictions(self.calibrated(expected), self.calibrated(lo), self.calibrated(hi), expected)

    def calibrated(self, log_odds: FloatArray) -> FloatArray:
        return calibrated(log_odds, self.calibration)

    def with_calibration(self, calibration: Calibration) -> RiskModel:
        return replace(self, calibration=calibration)

    def _unknown_levels(self, features: FeatureTable) -> NDArray[np.bool_]:
        met = {column.level for column in self.hazard.inputs.columns if column.block == TECHNICIAN_BLOCK}
        technician = features.categories("technician")
        return np.array([*(level not in met for level in technician.levels), True])[technician.codes]


def in_parts(bleeds: pl.DataFrame) -> list[pl.DataFrame]:
    """Bleeds `CHUNK` at a time; at least one part."""
    return [bleeds[start : start + CHUNK] for start in range(0, max(bleeds.height, 1), CHUNK)]


def joined_predictions(parts: list[Predictions]) -> Predictions:
    """Predictions of parts one after another."""
    return Predictions(*(np.concatenate([getattr(part, name) for part in parts]) for name in PREDICTED))


def _without_wear(table: pl.DataFrame, follow_up: FollowUp, window_days: int) -> FollowUp:
    """The course with bleeds of brake models that wear out followed for the window alone.

    Their late returns are the part's, not the bleed's, and a hazard that keeps its proportions would bring them forward.
    """
    ends = pl.Series(np.where(follow_up.returned, "return", "as_of"))
    followed = table.select("brake_model").with_columns(days_at_risk=pl.Series(follow_up.days), end=ends)
    late = [one.brake_model for one in late_failure_models(followed)]
    wears = table.get_column("brake_model").is_in(late).fill_null(False).to_numpy()
    return follow_up.censor_at(np.where(wears, window_days, follow_up.days))


def _columns(features: BleedFeatures) -> list[Column]:
    return [*work_columns(features), *reading_columns(), *sign_columns(), *air_columns(features)]
