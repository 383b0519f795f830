"""Other classifiers compared with the risk model: same bleeds, same folds, same figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pandera.typing.polars import DataFrame
from sklearn.pipeline import Pipeline

from analysis.audit_options import RISK_MODEL
from analysis.dataset import BleedData
from analysis.days import quarter_of
from analysis.intake import Log
from analysis.risk.backtest import BacktestBleeds, backtest_others
from analysis.risk.baselines import baselines
from analysis.risk.evaluation import TestSet, model_quality
from analysis.risk.features import bleed_rows
from analysis.risk.history import History, build_history
from analysis.risk.outcome import FollowUp, follow_up_of
from analysis.risk.pipeline import make_risk_pipeline
from analysis.standard import Standard
from analysis.stats import level_codes
from schemas import empty, validate_table
from schemas.outputs import Comparison, Risk

FloatArray = NDArray[np.float64]


def risk_pipeline(data: BleedData) -> Pipeline:
    """The pipeline of an audit's risks."""
    return make_risk_pipeline(data.standard, window_days=data.window_days, extra=data.own_field_names)


def backtest_bleeds(log: Log, data: BleedData, fit_sample: BleedData, history: History) -> BacktestBleeds:
    """Features and outcomes of every bleed.

    Parameters
    ----------
    log, data
        The bleeds, and the same with their follow-up.
    fit_sample
        Bleeds to fit (`dataset.data_for_fitting`).
    history
        `build_history` of the bleeds.
    """
    sessions = data.bleeds.get_column("session_id")
    return BacktestBleeds(
        risk_pipeline(data)["features"].fit_transform(bleed_rows(log, history)),
        FollowUp.from_array(follow_up_of(data.bleeds)),
        level_codes(data.bleeds.get_column("bike_id")),
        sessions.is_in(fit_sample.bleeds.get_column("session_id").implode()).to_numpy(),
        data.window_days,
    )


def tested_bleeds(bleeds: BacktestBleeds, risk: FloatArray) -> TestSet:
    """The bleeds with an out-of-time risk and a known outcome."""
    rows, features = np.flatnonzero(np.isfinite(risk) & bleeds.is_complete), bleeds.features
    others = backtest_others(bleeds, baselines(bleeds.window_days))
    quarter = features.select(quarter_of(pl.col("day"))).to_series()
    month = features.get_column("day").dt.strftime("%Y-%m")
    technician, model = (level_codes(features.get_column(name)) for name in ("technician", "brake_model"))
    return TestSet(
        rows=rows,
        risk=risk[rows],
        baselines={name: other[rows] for name, other in others.items()},
        came_back=bleeds.came_back[rows],
        bike=bleeds.bike[rows],
        quarter=np.array(quarter.to_list(), dtype=str)[rows],
        month=np.array(month.to_list(), dtype=str)[rows],
        technician=technician[rows],
        brake_model=model[rows],
    )


def compare_classifiers(
    bleeds: BacktestBleeds, test: TestSet, classifiers: Mapping[str, Any], standard: Standard
) -> DataFrame[Comparison]:
    """Figures of each classifier on the bleeds that the risk model predicted out of time, and of the risk model.

    Parameters
    ----------
    bleeds
        All bleeds.
    test
        The risk model's risks of those with a known outcome.
    classifiers
        Other scikit-learn classifiers by name; they get the columns of `make_risk_pipeline`.
    standard
        The procedure.

    Returns
    -------
    DataFrame[Comparison]
        Rows of `evaluation.model_quality` for each classifier, the risk model (`rebleed`) among what the others are
        compared with; empty without other classifiers.
    """
    if not classifiers:
        return empty(Comparison)
    pipelines = {
        name: make_risk_pipeline(standard, classifier, window_days=bleeds.window_days)[1:]
        for name, classifier in classifiers.items()
    }
    tests = {RISK_MODEL: test} | {
        name: replace(test, risk=risk[test.rows], baselines=test.baselines | {RISK_MODEL: test.risk})
        for name, risk in backtest_others(bleeds, pipelines).items()
    }
    tables = [model_quality(each).with_columns(classifier=pl.lit(name)) for name, each in tests.items()]
    return validate_table(Comparison, pl.concat(tables))


def compare_on_log(
    log: Log, data: BleedData, fit_sample: BleedData, risks: DataFrame[Risk], classifiers: Mapping[str, Any]
) -> DataFrame[Comparison]:
    """`compare_classifiers` with the out-of-time risks of a finished audit; empty where there are none."""
    if not risks.get_column("out_of_time").any():
        return empty(Comparison)
    bleeds = backtest_bleeds(log, data, fit_sample, build_history(data.bleeds, data.window_days))
    risk = np.where(risks.get_column("out_of_time"), risks.get_column("risk"), np.nan)
    return compare_classifiers(bleeds, tested_bleeds(bleeds, risk), classifiers, data.standard)
