"""Risk of every bleed, with reasons: from an audit (out of time where possible), or by a saved model."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData, bleeds_per_year
from analysis.intake import DONE, Log
from analysis.risk.attributions import predict_with_reasons
from analysis.risk.backtest import Outcome, OutOfTimePredictions, backtest, fit_calibration, outcomes
from analysis.risk.evaluation import TestSet, model_quality
from analysis.risk.features import BleedFeatures, bleed_features
from analysis.risk.history import build_history
from analysis.risk.model import Predictions, RiskModel
from analysis.risk.persistence import SavedModel, model_bytes, saved_model
from analysis.risk.second_checks import BleedOutcomes, SecondCheckCost, second_checks, worklist
from analysis.stats import level_codes
from schemas import empty, validate_table
from schemas.outputs import ModelQuality, Risk, SecondChecks


@dataclass(frozen=True)
class RiskResults:
    """Tables of risk, second checks and model quality, and the model's file as bytes (None with too few comebacks)."""

    risk: DataFrame[Risk]
    second_checks: DataFrame[SecondChecks]
    model: DataFrame[ModelQuality]
    model_bytes: bytes | None = field(repr=False)


def assess_risk(
    log: Log, data: BleedData, fit_sample: BleedData, comeback_minutes: float, *, names_hidden: bool = False
) -> RiskResults:
    """Risk of a comeback within the window and before the brake's next bleed, for every accepted bleed.

    Parameters
    ----------
    log
        The bleeds and the brakes table.
    data
        The same bleeds with their follow-up. With fewer than 40 comebacks every table is empty and there is no model.
    fit_sample
        Bleeds to fit (`dataset.fit_data`).
    comeback_minutes
        Bench minutes that one comeback costs.
    names_hidden
        Whether the names in the log are codes.
    """
    if data.small_sample:
        return RiskResults(empty(Risk), empty(SecondChecks), empty(ModelQuality), None)
    standard, window = data.standard, data.window_days
    history = build_history(data.bleeds, window)
    features = bleed_features(log, standard, history)
    outcome = outcomes(data, fit_sample)
    out_of_time = backtest(features, outcome, window)
    rows = np.flatnonzero(outcome.is_training)
    uncalibrated = RiskModel.fit(features.take(rows), outcome.follow_up.take(rows), window, out_of_time.model)
    model = uncalibrated.with_calibration(fit_calibration(out_of_time, outcome))
    testable = out_of_time.has_prediction & outcome.mature
    cost = SecondCheckCost(standard.second_check, comeback_minutes, bleeds_per_year(data))
    followed = BleedOutcomes(
        outcome.came_back[testable], outcome.follow_up.days[testable].astype(float), outcome.bike[testable]
    )
    check_table = second_checks(out_of_time.risk[testable], followed, cost)
    quality = model_quality(_test_set(out_of_time, outcome, features, testable))
    predictions, reasons = predict_with_reasons(model, features, standard)
    table = _table(out_of_time, predictions, data, cost, _checked(log)).hstack(reasons)
    return RiskResults(
        risk=validate_table(Risk, table.select(empty(Risk).columns)),
        second_checks=check_table,
        model=quality,
        model_bytes=model_bytes(saved_model(model, log, standard, history, window, names_hidden)),
    )


def _table(
    backtest: OutOfTimePredictions,
    predictions: Predictions,
    data: BleedData,
    cost: SecondCheckCost,
    checked: pl.Series,
) -> pl.DataFrame:
    """One row per bleed: the out-of-time risk where there is one, else the fitted model's; none `checked` is out."""
    has_prediction = backtest.has_prediction
    bleeds = data.bleeds
    table = pl.DataFrame(
        {
            "session_id": bleeds.get_column("session_id"),
            "risk": np.where(has_prediction, backtest.risk, predictions.risk),
            "risk_lo": np.where(has_prediction, backtest.lo, predictions.lo),
            "risk_hi": np.where(has_prediction, backtest.hi, predictions.hi),
            "out_of_time": has_prediction,
            "in_sample_risk": predictions.risk,
            "day": bleeds.get_column("started_at").dt.date(),
            "out": (bleeds.get_column("end") == "as_of") & ~bleeds.get_column("session_id").is_in(checked.implode()),
        }
    )
    return table.with_columns(on_worklist=pl.Series(worklist(table, cost.check, data.as_of, cost.worthwhile_risk)))


def _checked(log: Log) -> pl.Series:
    """Bleeds that had a second check, or whose rider declined one."""
    done = log.actions.filter(DONE, pl.col("kind") == "second_check", pl.col("outcome") != "not_reached")
    return done.get_column("session_id").drop_nulls()


def _test_set(
    backtest: OutOfTimePredictions, outcome: Outcome, features: BleedFeatures, rows: NDArray[np.bool_]
) -> TestSet:
    table = features.table
    quarter = table.select(pl.format("{}-Q{}", pl.col("day").dt.year(), pl.col("day").dt.quarter())).to_series()
    names = np.array(quarter.unique().sort().to_list(), dtype=str)
    technician, model = (level_codes(table.get_column(name)) for name in ("technician", "brake_model"))
    return TestSet(
        risk=backtest.risk[rows],
        baselines=backtest.baselines[rows],
        came_back=outcome.came_back[rows],
        bike=outcome.bike[rows],
        quarter=names[level_codes(quarter)[rows]],
        technician=technician[rows],
        brake_model=model[rows],
    )


def score_new(saved: SavedModel, log: Log) -> DataFrame[Risk]:
    """Risk of every bleed of a log by a saved model, with reasons; nothing is fitted.

    Technician and model histories come from the saved model, so a bleed it was fitted to keeps its risk. `out_of_time`
    marks bleeds begun after the model's last day. The worklist covers the last days of this log, down to the risk at
    which a check pays at the procedure's own cost of a comeback.

    Parameters
    ----------
    saved
        Model from `read_model`.
    log
        Accepted bleeds; returns are not used.
    """
    features = saved.features_of(log)
    table, standard = features.table, saved.saved_standard()
    predictions, reasons = predict_with_reasons(saved.model, features, standard)
    risk = pl.DataFrame(
        {
            "session_id": table.get_column("session_id"),
            "risk": predictions.risk,
            "risk_lo": predictions.lo,
            "risk_hi": predictions.hi,
            "out_of_time": table.get_column("day") > saved.last_day,
            "in_sample_risk": predictions.risk,
            "day": table.get_column("day"),
            "out": np.ones(table.height, dtype=bool),
        }
    )
    least_risk = standard.second_check.break_even_risk(standard.usual_comeback_minutes)
    on_list = worklist(risk, standard.second_check, log.as_of, least_risk)
    risk = risk.with_columns(on_worklist=pl.Series(on_list, dtype=pl.Boolean))
    return validate_table(Risk, risk.hstack(reasons).select(empty(Risk).columns))
