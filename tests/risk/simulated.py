"""A small simulated workshop with its model, fitted once and shared by the tests."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from analysis.dataset import BleedData
from analysis.intake import Log
from analysis.risk import (
    BleedFeatures,
    History,
    RiskModel,
    SavedModel,
    bleed_features,
    build_history,
    saved_model,
)
from analysis.risk.backtest import Outcome, outcomes
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import log_of_made, prepared_from


@dataclass(frozen=True)
class Fitted:
    log: Log
    ready: BleedData
    history: History
    features: BleedFeatures
    outcome: Outcome
    model: RiskModel

    @property
    def saved(self) -> SavedModel:
        return saved_model(self.model, self.log, self.ready.standard, self.history, 90, False)


@cache
def fitted(sessions: int = 900, seed: int = 3) -> Fitted:
    log = log_of_made(simulate(scenario_workshop("base", sessions), seed))
    ready = prepared_from(log)
    history = build_history(ready.bleeds, 90)
    features = bleed_features(log, ready.standard, history)
    outcome = outcomes(ready)
    model = RiskModel.fit(features, outcome.follow_up, 90)
    return Fitted(log, ready, history, features, outcome, model)
