"""The risk model against five classifiers of scikit-learn on simulated workshops with known truth (slow lane).

Each workshop is cut in time as in `test_risk.py`; every classifier gets the same columns (`make_risk_pipeline`). The figure
is the share of the true risk's reduction in log loss in log loss over a constant, with the true risk as the expected outcome.
`python -m tests.truth.test_classifiers` prints the table of METHODS.md.
"""

from __future__ import annotations

import sys
from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy import stats
from sklearn.calibration import CalibratedClassifierCV
from sklearn.ensemble import HistGradientBoostingClassifier, RandomForestClassifier
from sklearn.linear_model import LogisticRegressionCV
from sklearn.neighbors import KNeighborsClassifier
from sklearn.svm import SVC

from analysis.prove.workshop_measures import TRAINING_SHARE, share_of_gain
from analysis.risk import backtest_bleeds, build_history, make_risk_pipeline
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import log_of_made, prepared_from

pytestmark = pytest.mark.truth
FAMILIES, WORKSHOPS, FIRST_SEED = ("base", "loglinear"), 10, 83_000
OURS = "rebleed"


def classifiers() -> dict[str, Any]:
    """Settings that suit some hundred comebacks; the defaults of most do worse."""
    return {
        OURS: None,
        "logistic regression": LogisticRegressionCV(
            Cs=np.logspace(-4, 1, 11),
            cv=5,
            scoring="neg_log_loss",
            max_iter=2000,
            l1_ratios=(0,),
            use_legacy_attributes=False,
        ),
        "gradient-boosted trees": HistGradientBoostingClassifier(
            learning_rate=0.05, max_iter=80, max_leaf_nodes=3, l2_regularization=5.0, random_state=0
        ),
        "random forest": RandomForestClassifier(300, min_samples_leaf=4, random_state=0),
        "support vectors, calibrated": CalibratedClassifierCV(SVC(), cv=5, ensemble=False),
        "nearest neighbours, calibrated": CalibratedClassifierCV(KNeighborsClassifier(100), cv=5, ensemble=False),
    }


@cache
def shares(family: str, sessions: int, seed: int) -> dict[str, float]:
    """Share of the true gain by classifier in one workshop."""
    world = simulate(scenario_workshop(family, sessions), seed)
    log = log_of_made(world)
    data = prepared_from(log)
    bleeds = backtest_bleeds(log, data, data, build_history(data.bleeds, data.window_days))
    first = int(np.sort(bleeds.day)[int(TRAINING_SHARE * len(bleeds.day))])
    rows = bleeds.between(first, int(bleeds.day.max()) + 1)
    truth = data.bleeds.select("session_id")[rows].join(
        world.truth_bleeds, on="session_id", maintain_order="left", how="left"
    )
    figures = {}
    for name, classifier in classifiers().items():
        fitted = make_risk_pipeline(data.standard, classifier)[1:].fit(*bleeds.training_before(first))
        figures[name] = share_of_gain(
            fitted.predict_proba(bleeds.features[rows])[:, 1], truth.get_column("risk").to_numpy()
        )
    return figures


def table(sessions: int, workshops: int = WORKSHOPS) -> dict[str, np.ndarray]:
    """Shares of all workshops by classifier."""
    every = [shares(family, sessions, FIRST_SEED + i) for family in FAMILIES for i in range(workshops)]
    return {name: np.array([one[name] for one in every]) for name in every[0]}


def mean_and_limit(values: np.ndarray) -> tuple[float, float]:
    """The mean and the half width of its 95% interval (Student)."""
    return float(values.mean()), float(stats.t.ppf(0.975, len(values) - 1) * values.std(ddof=1) / len(values) ** 0.5)


@pytest.mark.parametrize("sessions", [1000, 3000])
def test_the_risk_model_is_first_in_the_mean_by_more_than_its_error(sessions: int) -> None:
    figures = table(sessions)
    for name in figures:
        if name != OURS:
            ahead, limit = mean_and_limit(figures[OURS] - figures[name])
            assert ahead - limit > 0, name


if __name__ == "__main__":
    for size in map(int, sys.argv[1:] or ("1000", "3000")):
        results = table(size)
        for label, values in results.items():
            mean, half = mean_and_limit(values)
            ahead, ahead_half = mean_and_limit(results[OURS] - values) if label != OURS else (0.0, 0.0)
            print(f"{size} {label}: {mean:.3f} ± {half:.3f}; behind by {ahead:.3f} ± {ahead_half:.3f}", flush=True)
