"""A small simulated workshop with its model, fitted once and shared by the tests."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import polars as pl

from analysis.dataset import BleedData
from analysis.intake import Log
from analysis.risk import (
    BacktestBleeds,
    History,
    RebleedClassifier,
    RiskModel,
    SavedModel,
    backtest_bleeds,
    build_history,
    make_risk_pipeline,
    saved_model,
)
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import log_of_made, prepared_from


@dataclass(frozen=True)
class Fitted:
    log: Log
    ready: BleedData
    history: History
    bleeds: BacktestBleeds
    classifier: RebleedClassifier

    @property
    def features(self) -> pl.DataFrame:
        return self.bleeds.features

    @property
    def y(self) -> np.ndarray:
        return self.bleeds.follow_up.to_array()

    @property
    def sessions(self) -> pl.Series:
        return self.ready.bleeds.get_column("session_id")

    @property
    def model(self) -> RiskModel:
        return self.classifier.model_

    @property
    def saved(self) -> SavedModel:
        return saved_model(self.model, self.log, self.ready, self.history, False)


def fitted_to(log: Log) -> Fitted:
    ready = prepared_from(log)
    history = build_history(ready.bleeds, 90)
    bleeds = backtest_bleeds(log, ready, ready, history)
    classifier = make_risk_pipeline(ready.standard)["classifier"]
    return Fitted(log, ready, history, bleeds, classifier.fit(bleeds.features, bleeds.follow_up.to_array()))


@cache
def fitted(sessions: int = 900, seed: int = 3) -> Fitted:
    return fitted_to(log_of_made(simulate(scenario_workshop("base", sessions), seed)))
