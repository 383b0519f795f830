"""Own fields in the risk, and their roles: a planted batch of fluid is found, a sign never enters the ranking of steps."""

from __future__ import annotations

from functools import cache

import numpy as np
import polars as pl
import pytest

from analysis import run_audit
from analysis.errors import UserError
from analysis.report import Report
from analysis.risk import (
    BleedFeatures,
    RebleedClassifier,
    load_model,
    make_risk_pipeline,
    risk_data,
    score_with_saved_model,
)
from analysis.standard import built_in
from analysis.stats import clustered_standard_error, level_codes
from tests.risk.planted import BAD_BATCH, planted_log
from tests.risk.simulated import fitted


@cache
def report(*extra: str) -> Report:
    return run_audit(planted_log(), built_in(), extra=extra)


def log_loss(*extra: str) -> np.ndarray:
    """Log loss of each bleed predicted out of time."""
    table = report(*extra).risk.join(report().data.bleeds, on="session_id").filter("out_of_time", "mature")
    return np.where(table["came_back"], -np.log(table["risk"]), -np.log1p(-table["risk"]))


def test_a_planted_batch_of_fluid_improves_the_risks_out_of_time() -> None:
    gain = log_loss() - log_loss("fluid_lot")
    tested = report().risk.join(report().data.bleeds, on="session_id").filter("out_of_time", "mature")
    error = clustered_standard_error(gain - gain.mean(), level_codes(tested["bike_id"])) / len(gain)
    assert gain.mean() > 1.96 * error
    assert abs((log_loss() - log_loss("radio_volume")).mean()) < error


def test_the_planted_batch_is_a_reason_and_no_other_is() -> None:
    batches = report("fluid_lot").risk["reason_1"].str.extract(r"^fluid lot (L\d)", 1).drop_nulls()
    assert len(batches) > 100
    assert (batches == BAD_BATCH).mean() > 0.95


def test_an_own_sign_changes_the_risk_and_no_figure_of_a_step() -> None:
    assert report("lever_feel").steps.equals(report().steps)
    assert not report("lever_feel").risk.equals(report().risk)


def test_own_fields_of_role_context_adjust_the_steps() -> None:
    steps, adjusted = (
        report(*extra).steps["survival_estimate"].drop_nulls().to_numpy() for extra in ((), ("fluid_lot",))
    )
    assert not np.array_equal(steps, adjusted)
    assert adjusted == pytest.approx(steps, abs=1.0)


def test_own_fields_enter_any_classifier() -> None:
    x, y = risk_data(planted_log(), built_in())
    features = BleedFeatures(built_in(), extra=["own.radio_volume", "fluid_lot"]).fit_transform(x)
    assert features.schema["own.radio_volume"] == pl.Float64
    assert features.schema["own.fluid_lot"] == pl.String
    explained = RebleedClassifier().fit(features, y).explain(features).with_columns(batch=features["own.fluid_lot"])
    added = dict(explained.group_by("batch").agg(pl.col("own.fluid_lot").mean()).iter_rows())
    assert max(added, key=added.__getitem__) == BAD_BATCH
    matrix = make_risk_pipeline(built_in(), extra=["fluid_lot"], classifier=RebleedClassifier())
    assert matrix.fit(x, y).score(x, y) > make_risk_pipeline(built_in()).fit(x, y).score(x, y)


def test_a_saved_model_needs_its_own_fields() -> None:
    saved = load_model(report("fluid_lot").model_bytes or b"", "bytes")
    again = score_with_saved_model(saved, planted_log())
    assert again["in_sample_risk"].to_numpy() == pytest.approx(
        report("fluid_lot").risk["in_sample_risk"].to_numpy(), abs=1e-9
    )
    with pytest.raises(UserError, match="fluid_lot"):
        score_with_saved_model(saved, fitted().log)


def test_an_own_field_that_the_log_does_not_have_is_named() -> None:
    with pytest.raises(UserError, match=r"no custom field 'batch'[\s\S]*fluid_lot, lever_feel, radio_volume"):
        run_audit(planted_log(), built_in(), extra=["batch"])
