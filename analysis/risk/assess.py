"""Risk of every bleed, with reasons: from an audit (out of time where possible), or by a saved model."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData, bleeds_per_year
from analysis.intake import DONE, Log
from analysis.risk.attributions import predict_with_reasons
from analysis.risk.backtest import backtest, fit_calibration
from analysis.risk.compare_classifiers import backtest_bleeds, compare_classifiers, risk_pipeline, tested_bleeds
from analysis.risk.evaluation import model_quality
from analysis.risk.history import build_history
from analysis.risk.model import Predictions
from analysis.risk.persistence import SavedModel, model_bytes, saved_model
from analysis.risk.second_checks import BleedOutcomes, SecondCheckCost, second_checks, worklist
from schemas import empty, validate_table
from schemas.outputs import Comparison, ModelQuality, Risk, SecondChecks


@dataclass(frozen=True)
class RiskTables:
    """Tables of risk, second checks, model quality and the comparison with other classifiers, and the model's file as
    bytes.
    """

    risk: DataFrame[Risk]
    second_checks: DataFrame[SecondChecks]
    model: DataFrame[ModelQuality]
    comparison: DataFrame[Comparison]
    model_bytes: bytes = field(repr=False)


@dataclass(frozen=True)
class RiskOptions:
    """What one comeback costs in bench minutes, whether names are codes, other classifiers to compare with, by name, and from
    how many faults the share that a check finds is estimated (0: it is as the procedure sets it)."""

    comeback_minutes: float
    names_hidden: bool = False
    classifiers: Mapping[str, Any] = field(default_factory=dict)
    faults: int = 0


def assess_risk(log: Log, data: BleedData, fit_sample: BleedData, options: RiskOptions) -> RiskTables:
    """Risk of a comeback within the window and before the brake's next bleed, for every accepted bleed.

    Parameters
    ----------
    log
        The bleeds and the brakes table.
    data
        The same bleeds with their follow-up; at least 40 came back.
    fit_sample
        Bleeds to fit (`dataset.data_for_fitting`).
    options
        Costs, names and other classifiers.
    """
    standard, window = data.standard, data.window_days
    history = build_history(data.bleeds, window)
    bleeds = backtest_bleeds(log, data, fit_sample, history)
    classifier = risk_pipeline(data)["classifier"].set_params(warm_start=True)
    out_of_time = backtest(bleeds, classifier)
    rows = np.flatnonzero(bleeds.is_training)
    classifier.fit(bleeds.features[rows], bleeds.follow_up.take(rows).to_array())
    classifier.recalibrate(fit_calibration(out_of_time, bleeds, bleeds.is_complete))
    test = tested_bleeds(bleeds, out_of_time.risk)
    cost = SecondCheckCost(standard.second_check, options.comeback_minutes, bleeds_per_year(data), options.faults)
    followed = BleedOutcomes(test.came_back, bleeds.follow_up.days[test.rows].astype(float), test.bike)
    predictions, reasons = predict_with_reasons(classifier.model_, bleeds.features, standard)
    table = _risk_table(out_of_time, predictions, data, cost, _checked_bleeds(log)).hstack(reasons)
    return RiskTables(
        risk=validate_table(Risk, table.select(empty(Risk).columns)),
        second_checks=second_checks(test.risk, followed, cost),
        model=model_quality(test),
        comparison=compare_classifiers(bleeds, test, options.classifiers, standard),
        model_bytes=model_bytes(saved_model(classifier.model_, log, data, history, options.names_hidden)),
    )


def _risk_table(
    out_of_time: Predictions, predictions: Predictions, data: BleedData, cost: SecondCheckCost, checked: pl.Series
) -> pl.DataFrame:
    """One row per bleed: the out-of-time risk where there is one, else the fitted model's; none `checked` is out."""
    has_prediction = np.isfinite(out_of_time.risk)
    bleeds = data.bleeds
    table = pl.DataFrame(
        {
            "session_id": bleeds.get_column("session_id"),
            "risk": np.where(has_prediction, out_of_time.risk, predictions.risk),
            "risk_lo": np.where(has_prediction, out_of_time.lo, predictions.lo),
            "risk_hi": np.where(has_prediction, out_of_time.hi, predictions.hi),
            "out_of_time": has_prediction,
            "in_sample_risk": predictions.risk,
            "day": bleeds.get_column("started_at").dt.date(),
            "out": (bleeds.get_column("end") == "as_of") & ~bleeds.get_column("session_id").is_in(checked.implode()),
        }
    )
    return table.with_columns(on_worklist=pl.Series(worklist(table, cost.check, data.as_of, cost.worthwhile_risk)))


def _checked_bleeds(log: Log) -> pl.Series:
    """Bleeds that had a second check, or whose rider declined one."""
    done = log.actions.filter(DONE, pl.col("kind") == "second_check", pl.col("outcome") != "not_reached")
    return done.get_column("session_id").drop_nulls()


def score_with_saved_model(saved: SavedModel, log: Log) -> DataFrame[Risk]:
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
    features, standard = saved.features_of(log), saved.standard
    predictions, reasons = predict_with_reasons(saved.model, features, standard)
    risk = pl.DataFrame(
        {
            "session_id": log.sessions.get_column("session_id").sort(),
            "risk": predictions.risk,
            "risk_lo": predictions.lo,
            "risk_hi": predictions.hi,
            "out_of_time": features.get_column("day") > saved.last_day,
            "in_sample_risk": predictions.risk,
            "day": features.get_column("day"),
            "out": np.ones(features.height, dtype=bool),
        }
    )
    least_risk = standard.second_check.break_even_risk(standard.comeback.minutes)
    on_list = worklist(risk, standard.second_check, log.as_of, least_risk)
    risk = risk.with_columns(on_worklist=pl.Series(on_list, dtype=pl.Boolean))
    return validate_table(Risk, risk.hstack(reasons).select(empty(Risk).columns))
