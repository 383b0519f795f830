"""Risk model: latent air, return model and calibration."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.risk.calibration import Calibration, calibrate, logit
from analysis.risk.feature_table import FeatureTable
from analysis.risk.hazard_model import FitSettings, HazardModel, fit_hazard_model
from analysis.risk.latent_air import LatentAirModel, fit_latent_air, reading_matrix
from analysis.risk.outcome import FollowUp
from analysis.risk.preprocessing import AIR, TECHNICIAN_BLOCK, risk_columns
from analysis.stats import Z95
from analysis.survival import late_returning_brake_models

FloatArray = NDArray[np.float64]
BATCH_SIZE = 20_000
"""Bleeds scored at a time: the hazards by day of a million bleeds at once would fill 2 GB."""
PREDICTED = ("risk", "lo", "hi", "log_odds")


@dataclass(frozen=True)
class Predictions:
    """Risks of n bleeds with 95% limits, and the log odds before calibration."""

    risk: FloatArray
    lo: FloatArray
    hi: FloatArray
    log_odds: FloatArray = field(repr=False)


@dataclass(frozen=True)
class DesignRows:
    """Inputs of n bleeds: `work` (n × columns) and `readings` (readings × n) of the air, and `x` (n × p) of the
    return model.
    """

    features: FeatureTable
    work: FloatArray
    readings: FloatArray
    x: FloatArray


@dataclass(frozen=True)
class RiskModel:
    """Fitted model of the risk of a comeback within the window and before the brake's next bleed."""

    air: LatentAirModel
    hazard: HazardModel
    calibration: Calibration = field(default_factory=Calibration)

    @classmethod
    def fit(
        cls,
        features: pl.DataFrame,
        follow_up: FollowUp,
        settings: FitSettings,
        initial_model: RiskModel | None = None,
    ) -> RiskModel:
        """Fit the model.

        Parameters
        ----------
        features
            Bleeds to fit, as `BleedFeatures` gives them; at least one came back.
        follow_up
            Their follow-up, row by row.
        settings
            How to fit.
        initial_model
            Fitted model that gives starting values.
        """
        table = FeatureTable(features)
        air = fit_latent_air(table, settings.leak_steps)
        follow_up = _censor_wear(features, follow_up, settings.window_days)
        start = None if initial_model is None else initial_model.hazard
        columns = risk_columns(features, settings.leak_steps)
        return cls(air, fit_hazard_model(air.with_air(table), columns, follow_up, settings, start))

    def predict(self, bleeds: pl.DataFrame) -> Predictions:
        """Risk and 95% limits of bleeds (as `BleedFeatures` gives them); unknown technicians, models and shops count as
        average.

        The risk uses the expected hazard. The limits carry the uncertainty of the return model (delta method on the log
        hazard) and, for an unknown technician, the variance between technicians.
        """
        return concat_predictions([self.predict_rows(self.design_rows(FeatureTable(part))) for part in batches(bleeds)])

    def predict_with_covariates(self, bleeds: pl.DataFrame) -> tuple[FloatArray, FloatArray]:
        """Risk of bleeds (`BleedFeatures.table`), and their covariates in the return model (n × p)."""
        rows = [self.design_rows(FeatureTable(part)) for part in batches(bleeds)]
        return np.concatenate([self.predict_rows(one).risk for one in rows]), np.concatenate([one.x for one in rows])

    def design_rows(self, features: FeatureTable) -> DesignRows:
        work, readings = self.air.inputs.transform(features), reading_matrix(features)
        air = self.air.predict(self.air.prior_mean(work), readings)
        return DesignRows(features, work, readings, self.hazard.inputs.transform(features.with_numbers(AIR, air)))

    def predict_rows(self, rows: DesignRows, log_hazard: FloatArray | None = None) -> Predictions:
        """Risk and limits from prepared inputs; `log_hazard` is the log of the expected hazard, if already computed."""
        linear = self.hazard.linear_predictor(rows.x)
        variance = self.hazard.variance(rows.x) if log_hazard is None else 2 * (log_hazard - linear)
        error = Z95 * np.sqrt(
            np.maximum(variance + self.hazard.technician_variance * self._has_unknown_technician(rows.features), 0.0)
        )
        log_hazards = np.concatenate([linear + 0.5 * variance, linear - error, linear + error])
        expected, lo, hi = logit(self.hazard.window.risk(log_hazards)).reshape(3, -1)
        return Predictions(self.calibrate(expected), self.calibrate(lo), self.calibrate(hi), expected)

    def calibrate(self, log_odds: FloatArray) -> FloatArray:
        return calibrate(log_odds, self.calibration)

    def with_calibration(self, calibration: Calibration) -> RiskModel:
        return replace(self, calibration=calibration)

    def _has_unknown_technician(self, features: FeatureTable) -> NDArray[np.bool_]:
        """Which bleeds have a technician the model has not seen."""
        if not self.hazard.technician_variance:
            return np.zeros(features.height, dtype=bool)
        known_technicians = {column.level for column in self.hazard.inputs.columns if column.block == TECHNICIAN_BLOCK}
        technician = features.categories("technician")
        return np.array([*(level not in known_technicians for level in technician.levels), True])[technician.codes]


def batches(bleeds: pl.DataFrame) -> list[pl.DataFrame]:
    """Tables of at most `BATCH_SIZE` bleeds; at least one."""
    return [bleeds[start : start + BATCH_SIZE] for start in range(0, max(bleeds.height, 1), BATCH_SIZE)]


def concat_predictions(parts: list[Predictions]) -> Predictions:
    return Predictions(*(np.concatenate([getattr(part, name) for part in parts]) for name in PREDICTED))


def _censor_wear(table: pl.DataFrame, follow_up: FollowUp, window_days: int) -> FollowUp:
    """Follow-up of bleeds on brake models that wear out (`survival.late_returning_brake_models`), censored at the window.

    Their late returns are due to the part; under proportional hazards they would raise the risk within the window.
    """
    ends = pl.Series(np.where(follow_up.returned, "return", "as_of"))
    if "brake_model" not in table.columns:
        return follow_up
    table_with_end = table.select("brake_model").with_columns(days_at_risk=pl.Series(follow_up.days), end=ends)
    wearing = [late.brake_model for late in late_returning_brake_models(table_with_end)]
    is_wearing = table.get_column("brake_model").is_in(wearing).fill_null(False).to_numpy()
    return follow_up.censor_at(np.where(is_wearing, window_days, follow_up.days))
