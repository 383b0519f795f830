"""One small simulated workshop with its model, made once for the tests that only look at it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from analysis.intake import Log
from analysis.prepared import Prepared
from analysis.risk import (
    BleedFeatures,
    History,
    RiskModel,
    SavedModel,
    bleed_features,
    history_of,
    saved_model,
)
from analysis.risk.foretold import Outcome, outcome_of
from synthetic import family, made
from tests.worlds import log_of_made, prepared_from


@dataclass(frozen=True)
class Fitted:
    log: Log
    ready: Prepared
    history: History
    features: BleedFeatures
    outcome: Outcome
    model: RiskModel

    @property
    def saved(self) -> SavedModel:
        return saved_model(self.model, self.log, self.ready.standard, self.history, 90, False)


@cache
def fitted(sessions: int = 900, seed: int = 3) -> Fitted:
    log = log_of_made(made(family("base", sessions), seed))
    ready = prepared_from(log)
    history = history_of(ready.bleeds, 90)
    features = bleed_features(log, ready.standard, history)
    outcome = outcome_of(ready)
    model = RiskModel.fit(features, outcome.course, 90)
    return Fitted(log, ready, history, features, outcome, model)
