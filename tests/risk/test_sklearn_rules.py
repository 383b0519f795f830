"""The estimators keep scikit-learn's own rules and work with its tools, row by row."""

from __future__ import annotations

import pickle
from functools import cache
from typing import Any

import numpy as np
import polars as pl
import pytest
from sklearn.base import clone
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GridSearchCV, cross_val_score
from sklearn.utils.estimator_checks import check_estimator

from analysis.errors import UserError
from analysis.intake import Log, read_log
from analysis.risk import (
    BleedFeatures,
    FeatureMatrix,
    OutOfTimeSplit,
    RebleedClassifier,
    WindowClassifier,
    make_risk_pipeline,
    risk_data,
)
from analysis.risk.backtest import start_days
from analysis.standard import built_in
from tests.shops import exports


@pytest.mark.parametrize(
    ("estimator", "at_least"),
    [(RebleedClassifier(), 50), (WindowClassifier(LogisticRegression()), 50), (FeatureMatrix(), 40), (BleedFeatures(built_in()), 1)],
    ids=lambda value: type(value).__name__,
)  # fmt: skip
def test_scikit_learns_checks_pass(estimator: Any, at_least: int) -> None:
    """No exception is needed. `BleedFeatures` takes a log or a frame of bleeds, so that checks which pass an array do not apply
    (tags `two_d_array` and `no_validation`); the tests below hold it to the same rules. Skipped: the array API, off by default.
    """
    results = check_estimator(estimator, on_fail=None, on_skip=None)
    assert not {one["check_name"]: repr(one["exception"]) for one in results if one["status"] == "failed"}
    assert {one["check_name"] for one in results if one["status"] == "skipped"} <= {"check_array_api_input"}
    assert sum(one["status"] == "passed" for one in results) >= at_least


@cache
def demo_log() -> Log:
    return read_log([str(exports())])


@cache
def demo() -> tuple[pl.DataFrame, np.ndarray]:
    return risk_data(demo_log(), built_in())


def test_a_feature_of_a_row_does_not_depend_on_the_rows_with_it() -> None:
    x, _ = demo()
    features = BleedFeatures(built_in()).fit(x[:50])
    assert features.transform(x).equals(features.transform(demo_log()))
    assert features.transform(x)[7:19].equals(features.transform(x[7:19]))
    assert features.get_feature_names_out().tolist() == features.transform(x).columns
    assert clone(features).fit_transform(x).equals(features.transform(x))


def test_set_output_gives_frames_with_names() -> None:
    x, y = demo()
    pipeline = (
        make_risk_pipeline(built_in(), LogisticRegression(max_iter=2000)).set_output(transform="polars").fit(x, y)
    )
    matrix = pipeline[:-1].transform(x)
    assert isinstance(matrix, pl.DataFrame)
    assert matrix.columns == pipeline["matrix"].get_feature_names_out().tolist()
    assert np.isfinite(matrix.to_numpy()).all()
    arrays = make_risk_pipeline(built_in(), LogisticRegression(max_iter=2000)).fit(x, y)
    assert pipeline.predict_proba(x) == pytest.approx(arrays.predict_proba(x), abs=1e-9)


def test_the_pipeline_clones_validates_and_searches_by_row() -> None:
    x, y = demo()
    split = OutOfTimeSplit(3, 90)
    pipeline = make_risk_pipeline(built_in())
    scores = cross_val_score(pipeline, x, y, cv=split)
    assert len(scores) == split.get_n_splits(x, y) == 3
    search = GridSearchCV(clone(pipeline), {"classifier__prior_df": [5.0, 500.0]}, cv=split).fit(x, y)
    assert search.cv_results_["mean_test_score"][0] == pytest.approx(scores.mean(), abs=1e-12)
    assert search.best_params_["classifier__prior_df"] in (5.0, 500.0)
    assert cross_val_score(pipeline, x, y, cv=split, n_jobs=2) == pytest.approx(scores, abs=1e-9)


def test_a_split_trains_only_on_outcomes_known_at_the_time() -> None:
    x, y = demo()
    day = start_days(x)
    for training, test in OutOfTimeSplit(4, 90).split(x, y):
        assert day[training].max() + 90 < day[test].min()
        assert (y["observed_days"][test] >= 90).all()


def test_nothing_that_happens_after_a_fold_begins_changes_its_model() -> None:
    """Follow-up beyond the training bleeds' windows is there in `y`, and is not used."""
    x, y = demo()
    training, test = next(OutOfTimeSplit(4, 90).split(x, y))
    features = BleedFeatures(built_in()).fit_transform(x)
    later = y.copy()
    begins = start_days(x)[training].max() + 90
    after = start_days(x) + y["days"] > begins
    later["event"][after], later["days"][after] = 1, later["days"][after] + 200
    assert after[training].any()
    risks = [RebleedClassifier().fit(features[training], each[training]).risks(features[test]) for each in (y, later)]
    assert np.array_equal(*risks)


def test_too_little_follow_up_for_a_fold_is_said() -> None:
    x, y = demo()
    with pytest.raises(ValueError, match="no fold can be made: expected 30 comebacks"):
        list(OutOfTimeSplit().split(x[:40], y[:40]))


def test_explanations_add_up_and_intervals_hold_the_risk() -> None:
    x, y = demo()
    pipeline = make_risk_pipeline(built_in()).fit(x, y)
    features, classifier = pipeline["features"].transform(x), pipeline["classifier"]
    risk, limits = pipeline.predict_proba(x)[:, 1], classifier.predict_interval(features)
    assert classifier.explain(features).sum_horizontal().to_numpy() == pytest.approx(risk, abs=1e-12)
    assert ((limits[:, 0] < risk) & (risk < limits[:, 1])).all()
    assert classifier.decision_function(features) == pytest.approx(np.log(risk / (1 - risk)), abs=1e-9)


def test_a_pickled_pipeline_predicts_the_same_and_the_model_file_stays_without_pickles() -> None:
    """Pickles are for scikit-learn's own workers; `read_model` refuses them (`test_persistence.py`)."""
    x, y = demo()
    pipeline = make_risk_pipeline(built_in()).fit(x, y)
    again = pickle.loads(pickle.dumps(pipeline))
    assert np.array_equal(again.predict_proba(x), pipeline.predict_proba(x))


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda x, y: BleedFeatures(built_in(), extra=["weather"]).fit(x), "no such custom field"),
        (lambda x, y: BleedFeatures(built_in()).fit(x.drop("technician_rate")), "lacks the columns technician_rate"),
        (lambda x, y: make_risk_pipeline(built_in(), object()).fit(x, y), "has no predict_proba"),
        (lambda x, y: make_risk_pipeline(built_in()).fit(x, y[["days"]]), "expected days and event"),
        (lambda x, y: make_risk_pipeline(built_in(), window_days=0).fit(x, y), "expected both above 0"),
        (lambda x, y: make_risk_pipeline(built_in()).fit(x[:10], y[:9]), "expected the same number"),
    ],
)
def test_wrong_input_is_one_clear_error(make: Any, words: str) -> None:
    with pytest.raises((ValueError, UserError), match=words):
        make(*demo())
