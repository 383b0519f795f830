"""The risk of every bleed of an audit: out of time where it can be, with reasons, second checks and the model's file."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.dataset import BleedData, bleeds_per_year
from analysis.intake import Log
from analysis.risk.backtest import Outcome, OutOfTimePredictions, backtest, fit_calibration, outcomes
from analysis.risk.evaluation import TestSet, model_quality
from analysis.risk.features import BleedFeatures, bleed_features
from analysis.risk.history import build_history
from analysis.risk.model import Predictions, RiskModel
from analysis.risk.persistence import model_bytes
from analysis.risk.reasons import predict_with_reasons
from analysis.risk.saved_model import saved_model
from analysis.risk.second_checks import BleedOutcomes, SecondCheckCost, second_checks, worklist
from analysis.stats import level_codes
from schemas import empty, validate_table
from schemas.outputs import ModelQuality, Risk, SecondChecks


@dataclass(frozen=True)
class RiskResults:
    """The tables, and the model's file (None with too few comebacks)."""

    risk: DataFrame[Risk]
    second_checks: DataFrame[SecondChecks]
    model: DataFrame[ModelQuality]
    model_bytes: bytes | None = field(repr=False)


def assess_risk(
    log: Log, data: BleedData, learned: BleedData, comeback_minutes: float, *, names_hidden: bool = False
) -> RiskResults:
    """The risk of a re-bleed return within the window and before the brake's next bleed, for every accepted bleed.

    Parameters
    ----------
    log
        The bleeds and the brakes' measures.
    prepared
        The same bleeds with their follow-up; with fewer than 40 comebacks every table is empty and no model is kept.
    learned
        Those that models learn from (`prepared.fit_data`).
    comeback_minutes
        What one comeback costs, in bench minutes.
    names_hidden
        Whether the log's names are codes.
    """
    if data.small_sample:
        return RiskResults(empty(Risk), empty(SecondChecks), empty(ModelQuality), None)
    standard, window = data.standard, data.window_days
    history = build_history(data.bleeds, window)
    features = bleed_features(log, standard, history)
    outcome = outcomes(data, learned)
    before = backtest(features, outcome, window)
    rows = np.flatnonzero(outcome.learned)
    saved = RiskModel.fit(features.take(rows), outcome.follow_up.take(rows), window, before.model)
    model = saved.with_calibration(fit_calibration(before, outcome))
    known = before.has_prediction & outcome.mature
    cost = SecondCheckCost(standard.second_check, comeback_minutes, bleeds_per_year(data))
    followed = BleedOutcomes(outcome.came_back[known], outcome.follow_up.days[known].astype(float), outcome.bike[known])
    checks = second_checks(before.risk[known], followed, cost)
    quality = model_quality(_test_set(before, outcome, features, known))
    predictions, why = predict_with_reasons(model, features, standard)
    table = _table(before, predictions, data, cost).hstack(why)
    return RiskResults(
        risk=validate_table(Risk, table.select(empty(Risk).columns)),
        second_checks=checks,
        model=quality,
        model_bytes=model_bytes(saved_model(model, log, standard, history, window, names_hidden)),
    )


def _table(
    backtest: OutOfTimePredictions, predictions: Predictions, data: BleedData, cost: SecondCheckCost
) -> pl.DataFrame:
    early = backtest.has_prediction
    bleeds = data.bleeds
    table = pl.DataFrame(
        {
            "session_id": bleeds.get_column("session_id"),
            "risk": np.where(early, backtest.risk, predictions.risk),
            "risk_lo": np.where(early, backtest.lo, predictions.lo),
            "risk_hi": np.where(early, backtest.hi, predictions.hi),
            "out_of_time": early,
            "in_sample_risk": predictions.risk,
            "day": bleeds.get_column("started_at").dt.date(),
            "out": bleeds.get_column("end") == "as_of",
        }
    )
    return table.with_columns(on_worklist=pl.Series(worklist(table, cost.check, data.as_of, cost.worthwhile_risk)))


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
