"""Predicted risks compared with the true risks, and with the best that is achievable from the log."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.intake import Log
from analysis.prove.rows import Target, at_size, mean_row
from analysis.risk import (
    DEFAULT_TREES,
    baselines,
    build_history,
    calibration_line,
    known_bleeds,
    log_odds_of,
    make_risk_pipeline,
)

FloatArray = NDArray[np.float64]
TRAINING_SHARE, MIN_RETURNS = 0.7, 30
SHARE, TREES, BAYES_LIMIT = "share", DEFAULT_TREES, "upper_bound"
SLOPE, CAUGHT, MAX_CAUGHT = "slope", "caught", "most caught"
PLAIN = ("base", "loglinear")
"""Families whose shares have targets; the others are only compared with the best achievable."""
SHARES = (0.78, 0.86, 0.905)
"""Targets at 1,000, 3,000 and 20,000 bleeds."""
LIST_SHARE = 0.1


@dataclass(frozen=True)
class LastBleeds:
    """The last 30% of the bleeds, predicted by models fitted to what was known the day before the first of them:
    session_id, the risk, and the risk by gradient-boosted trees with default settings."""

    bleeds: pl.Series
    risk: FloatArray = field(repr=False)
    by_trees: FloatArray = field(repr=False)


def last_bleeds(log: Log, data: BleedData, fitted: BleedData) -> LastBleeds | None:
    """Predict the last 30% of the bleeds; None where too few had come back by then."""
    bleeds = known_bleeds(log, data, fitted, build_history(data.bleeds, data.window_days))
    first = int(np.sort(bleeds.day)[int(TRAINING_SHARE * len(bleeds.day))])
    if bleeds.known_before(first)[1].returned.sum() < MIN_RETURNS:
        return None
    rows = bleeds.between(first, int(bleeds.day.max()) + 1)
    ours = make_risk_pipeline(data.standard, window_days=data.window_days)["classifier"]
    risk, by_trees = (
        bleeds.fit_before(first, classifier).predict_proba(bleeds.features[rows])[:, 1]
        for classifier in (ours, baselines(data.window_days)[TREES])
    )
    return LastBleeds(data.bleeds.get_column("session_id").gather(rows), risk, by_trees)


def risk_figures(last: LastBleeds, truth: FloatArray, foreseeable: FloatArray) -> dict[str, float]:
    """Shares of the true risk's gain in log loss over a constant, with the true risk as the expected outcome; the
    calibration slope; and comebacks per 100 in the tenth of the bleeds with the highest predicted and true risks."""
    return {
        SHARE: share_of_gain(last.risk, truth),
        TREES: share_of_gain(last.by_trees, truth),
        BAYES_LIMIT: share_of_gain(foreseeable, truth),
        SLOPE: float(calibration_line(log_odds_of(last.risk), truth).slope),
        CAUGHT: _caught(last.risk, truth),
        MAX_CAUGHT: _caught(truth, truth),
    }


def risk_rows(by_family: dict[str, list[dict[str, float]]], sessions: int) -> list[dict[str, Any]]:
    """Rows of the validation: figures by family, and of all families."""
    rows = []
    for name, figures in by_family.items():
        target = Target(minimum=at_size(sessions, SHARES), share=False) if name in PLAIN else Target(share=False)
        row = mean_row(f"risk, share of the true risk's gain: {name}", sessions, _all(figures, SHARE), target)
        rows.append(row | _bayes_limit(figures, BAYES_LIMIT))
        trees = mean_row(
            f"the same by gradient-boosted trees with default settings: {name}",
            sessions,
            _all(figures, TREES),
            Target(),
        )
        rows.append(trees | _bayes_limit(figures, BAYES_LIMIT))
    every = [one for figures in by_family.values() for one in figures]
    slope = Target(0.9, 1.1, share=False) if sessions >= 3_000 else Target()
    rows.append(mean_row("risk, calibration slope", sessions, _all(every, SLOPE), slope))
    caught = mean_row(
        "comebacks per 100 among the riskiest tenth", sessions, _all(every, CAUGHT), Target(minimum=30, share=False)
    )
    return [*rows, caught | _bayes_limit(every, MAX_CAUGHT)]


def _all(figures: list[dict[str, float]], name: str) -> list[float]:
    return [one[name] for one in figures]


def _bayes_limit(figures: list[dict[str, float]], name: str) -> dict[str, float]:
    return {"upper_bound": float(np.mean(_all(figures, name)))} if figures else {}


def _loss(risk: FloatArray, truth: FloatArray) -> float:
    return -float((truth * np.log(risk) + (1 - truth) * np.log1p(-risk)).mean())


def share_of_gain(risk: FloatArray, truth: FloatArray) -> float:
    """Share of the true risks' gain in log loss over a constant that these risks have."""
    constant = _loss(np.full(len(truth), truth.mean()), truth)
    return (constant - _loss(risk, truth)) / (constant - _loss(truth, truth))


def _caught(risk: FloatArray, truth: FloatArray) -> float:
    riskiest = np.argsort(-risk, kind="stable")[: max(round(LIST_SHARE * len(risk)), 1)]
    return float(100 * truth[riskiest].sum() / truth.sum())
