"""The risk of every bleed of an audit: out of time where it can be, with reasons, second checks and the model's file."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame

from analysis.intake import Log
from analysis.prepared import Prepared, bleeds_per_year
from analysis.risk.features import BleedFeatures, bleed_features
from analysis.risk.foretold import Foretold, Outcome, calibration_of, foretold, outcome_of
from analysis.risk.history import history_of
from analysis.risk.model import Predictions, RiskModel
from analysis.risk.model_file import model_bytes
from analysis.risk.quality import Held, model_quality
from analysis.risk.reasons import told_with_reasons
from analysis.risk.saved import saved_model
from analysis.risk.second_checks import BleedOutcomes, CheckCost, second_checks, worklist
from analysis.stats import level_codes
from schemas import checked, empty
from schemas.outputs import ModelQuality, Risk, SecondChecks


@dataclass(frozen=True)
class RiskFound:
    """The tables, and the model's file (None with too few comebacks)."""

    risk: DataFrame[Risk]
    second_checks: DataFrame[SecondChecks]
    model: DataFrame[ModelQuality]
    model_bytes: bytes | None = field(repr=False)


def risk_found(
    log: Log, prepared: Prepared, learned: Prepared, comeback_minutes: float, *, names_hidden: bool = False
) -> RiskFound:
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
    if prepared.too_few:
        return RiskFound(empty(Risk), empty(SecondChecks), empty(ModelQuality), None)
    standard, window = prepared.standard, prepared.window_days
    history = history_of(prepared.bleeds, window)
    features = bleed_features(log, standard, history)
    outcome = outcome_of(prepared, learned)
    before = foretold(features, outcome, window)
    rows = np.flatnonzero(outcome.learned)
    saved = RiskModel.fit(features.of(rows), outcome.course.of(rows), window, before.model)
    model = saved.with_calibration(calibration_of(before, outcome))
    held = before.told & outcome.mature
    cost = CheckCost(standard.second_check, comeback_minutes, bleeds_per_year(prepared))
    followed = BleedOutcomes(outcome.came_back[held], outcome.course.days[held].astype(float), outcome.bike[held])
    checks = second_checks(before.risk[held], followed, cost)
    quality = model_quality(_held(before, outcome, features, held))
    told, why = told_with_reasons(model, features, standard)
    table = _table(before, told, prepared, cost).hstack(why)
    return RiskFound(
        risk=checked(Risk, table.select(empty(Risk).columns)),
        second_checks=checks,
        model=quality,
        model_bytes=model_bytes(saved_model(model, log, standard, history, window, names_hidden)),
    )


def _table(before: Foretold, told: Predictions, prepared: Prepared, cost: CheckCost) -> pl.DataFrame:
    early = before.told
    bleeds = prepared.bleeds
    table = pl.DataFrame(
        {
            "session_id": bleeds.get_column("session_id"),
            "risk": np.where(early, before.risk, told.risk),
            "risk_lo": np.where(early, before.lo, told.lo),
            "risk_hi": np.where(early, before.hi, told.hi),
            "out_of_time": early,
            "model_risk": told.risk,
            "day": bleeds.get_column("started_at").dt.date(),
            "out": bleeds.get_column("end") == "as_of",
        }
    )
    return table.with_columns(on_worklist=pl.Series(worklist(table, cost.check, prepared.as_of, cost.worthwhile_risk)))


def _held(before: Foretold, outcome: Outcome, features: BleedFeatures, held: NDArray[np.bool_]) -> Held:
    table = features.table
    quarter = table.select(pl.format("{}-Q{}", pl.col("day").dt.year(), pl.col("day").dt.quarter())).to_series()
    names = np.array(quarter.unique().sort().to_list(), dtype=str)
    technician, model = (level_codes(table.get_column(name)) for name in ("technician", "brake_model"))
    return Held(
        risk=before.risk[held],
        rivals=before.rivals[held],
        came_back=outcome.came_back[held],
        bike=outcome.bike[held],
        quarter=names[level_codes(quarter)[held]],
        technician=technician[held],
        brake_model=model[held],
    )
