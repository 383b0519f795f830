"""The risk model: predictions for unknown levels, and contributions that add up."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from sklearn.base import clone

from analysis.risk import attribute_risk
from analysis.risk.calibration import logit
from analysis.risk.feature_table import FeatureTable
from analysis.risk.hazard_model import WindowHazard
from analysis.risk.model import BATCH_SIZE
from synthetic import scenario_workshop, simulate
from tests.risk.simulated import fitted, fitted_to
from tests.simulated_logs import log_of_made

EXACT = 1e-12
"""Rounding of sums in another order."""


def risks(**changed: object) -> np.ndarray:
    """Risks of all bleeds with some columns set to the same value."""
    table = fitted().features
    for name, value in changed.items():
        table = table.with_columns(pl.lit(value).cast(table.schema[name]).alias(name))
    return fitted().model.predict(table).risk


def test_unknown_technicians_models_shops_and_empty_rows_have_a_risk() -> None:
    table = fitted().features
    empty = {name: None for name in table.columns if name not in ("technician", "brake_model", "day")}
    for risk in (
        risks(technician="Newcomer"),
        risks(brake_model="Never Seen 9"),
        risks(shop="Elsewhere"),
        risks(**empty),
    ):
        assert np.isfinite(risk).all()
        assert ((risk > 0) & (risk < 1)).all()


def test_several_batches_predict_as_one_does() -> None:
    model, table = fitted().model, fitted().features
    times = 2 * BATCH_SIZE // table.height + 1
    once, many = model.predict(table), model.predict(pl.concat([table] * times))
    assert many.risk == pytest.approx(np.tile(once.risk, times), rel=1e-12)
    assert many.hi == pytest.approx(np.tile(once.hi, times), rel=1e-12)


def test_an_unknown_technician_has_wider_limits() -> None:
    """For most bleeds: the effect of a known technician is uncertain as well, almost as much where returns are few."""
    model, table = fitted(3000).model, fitted(3000).features
    recorded, newcomer = model.predict(table), model.predict(table.with_columns(technician=pl.lit("Newcomer")))
    assert model.hazard.technician_variance > 0
    wider = (logit(newcomer.hi) - logit(newcomer.lo)) / (logit(recorded.hi) - logit(recorded.lo))
    assert wider.mean() > 1
    assert (wider > 1).mean() > 0.7


def test_contributions_of_columns_sum_to_the_log_of_the_expected_hazard() -> None:
    """The expected hazard is the mean over draws of coefficients normal around the fitted ones."""
    hazard_model, features = (
        fitted().model.hazard,
        fitted().model.air.with_air(FeatureTable(fitted().features[:20])),
    )
    x = hazard_model.inputs.transform(features)
    expected = hazard_model.linear_predictor(x) + 0.5 * hazard_model.variance(x)
    coefficients = np.random.default_rng(8).multivariate_normal(
        hazard_model.coefficients, hazard_model.covariance, 200_000
    )
    assert hazard_model.contributions(x).sum(axis=1) == pytest.approx(expected, abs=EXACT)
    assert np.log(np.exp(coefficients @ x.T).mean(axis=0)) == pytest.approx(expected, abs=0.02)


def test_the_risk_is_within_its_limits() -> None:
    recorded = fitted().model.predict(fitted().features)
    assert (recorded.lo < recorded.risk).all()
    assert (recorded.risk < recorded.hi).all()


def test_more_travel_and_bubbles_mean_more_risk_on_average() -> None:
    assert (
        risks(travel_excess_mm=15.0, trapped_air_ml=0.4).mean() > risks(travel_excess_mm=0.0, trapped_air_ml=0.0).mean()
    )
    assert risks(bubbles_first=60.0).mean() > risks(bubbles_first=2.0).mean()


def test_attributions_add_up_to_the_risk_on_both_scales() -> None:
    shares = attribute_risk(fitted().model, fitted().features)
    risk = fitted().model.predict(fitted().features).risk
    assert shares.reference_risk + shares.added.sum(axis=1) == pytest.approx(risk, abs=EXACT)
    odds = np.log(shares.reference_risk / (1 - shares.reference_risk)) + shares.log_odds.sum(axis=1)
    assert 1 / (1 + np.exp(-odds)) == pytest.approx(risk, abs=EXACT)


def test_a_risk_ends_with_the_brakes_next_bleed() -> None:
    hazard = np.array([0.0, 0.1, 0.2])
    forever, never = WindowHazard(hazard, np.ones(3)), WindowHazard(hazard, np.array([1.0, 1.0, 0.0]))
    assert forever.risk(np.zeros(1))[0] == pytest.approx(1 - np.exp(-0.2))
    assert never.risk(np.zeros(1))[0] == pytest.approx(1 - np.exp(-0.1))


def test_a_log_without_stand_readings_still_has_a_model() -> None:
    unseen = ["travel_excess_mm", "trapped_air_ml", "bubbles_first", "bubbles_last", "pump_gain_mm", "hard_pull_firm"]
    table = fitted().features
    bare = table.with_columns(pl.lit(None, table.schema[name]).alias(name) for name in [*unseen, "leak_seen"])
    model = clone(fitted().classifier).fit(bare, fitted().y).model_
    risk = model.predict(bare).risk
    assert np.isfinite(risk).all()
    assert attribute_risk(model, bare).reference_risk + attribute_risk(model, bare).added.sum(axis=1) == pytest.approx(
        risk, abs=EXACT
    )


def test_late_returns_of_a_model_that_wears_out_do_not_raise_the_early_risk() -> None:
    """Predicted over true risk within the window: 1.15, 0.98, 0.98 at seeds 1 to 3; followed to the end it was 1.5 to 1.7."""
    world = simulate(scenario_workshop("seals wear out", 3000), 1)
    worn = fitted_to(log_of_made(world))
    predicted = pl.DataFrame(
        {
            "session_id": worn.sessions,
            "brake_model": worn.features.get_column("brake_model"),
            "predicted": worn.model.predict(worn.features).risk,
        }
    )
    with_truth = predicted.join(world.truth_bleeds.select("session_id", "risk"), on="session_id")
    wears = with_truth.filter(pl.col("brake_model") == "Schist 2")
    assert 0.75 < wears["predicted"].mean() / wears["risk"].mean() < 1.33


def test_starting_values_do_not_change_the_fit() -> None:
    """Both fits converge to within 1e-10 of a standard error of the maximum; the ridges are estimated on the way."""
    features, y = fitted().features, fitted().y
    half = np.arange(len(y) // 2)
    from_other = clone(fitted().classifier).set_params(warm_start=True).fit(features[half], y[half]).fit(features, y)
    assert from_other.predictions(features).risk == pytest.approx(fitted().model.predict(features).risk, rel=1e-6)
