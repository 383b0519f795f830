"""Dose-response curves."""

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from analysis.steps import dose_response_base, dose_response_curves
from analysis.steps.dose_response import reading_curve


@pytest.fixture(scope="module")
def curves(workshop, costs):
    return dose_response_curves(dose_response_base(workshop, costs.design))


def test_only_measured_fields_with_limits_have_a_curve(workshop, curves):
    measured = {s.id for s in workshop.standard.steps if (s.limits.lo, s.limits.hi) != (None, None)}
    assert set(curves["step"]) == measured
    assert "purge" not in measured


def test_every_recorded_bleed_is_counted_near_one_reading(workshop, curves):
    for step, field in curves.select("step", "field").unique().rows():
        assert curves.filter(pl.col("step") == step)["bleeds"].sum() == workshop.bleeds[field].count()


def test_risks_are_within_their_limits(curves):
    assert curves.select(((pl.col("lo") < pl.col("risk")) & (pl.col("risk") < pl.col("hi"))).all()).item()


def test_the_curve_carries_the_procedures_limits(curves):
    reach = curves.filter(pl.col("step") == "reach")
    assert reach.select("tolerance_lo", "tolerance_hi").unique().rows() == [(75.0, 80.0)]


def test_a_curve_passes_near_the_rate_where_most_readings_are(workshop, curves):
    settle = curves.filter(pl.col("step") == "settle")
    usual = settle.sort("bleeds").row(-1, named=True)
    rate = workshop.bleeds.filter("mature")["came_back"].mean()
    assert usual["risk"] == pytest.approx(rate, rel=0.5)  # about 60 comebacks: twice a standard error of a quarter


def test_few_values_have_a_level_each():
    curve = reading_curve(np.array([0.0, 1, 1, 2, 2, 2]))
    assert curve.levels
    assert curve.grid.tolist() == [0, 1, 2]
    assert curve.basis(np.array([0.0, 1, 2])).tolist() == [[0, 0], [1, 0], [0, 1]]


def test_many_values_have_a_smooth_curve_that_is_straight_outside():
    curve = reading_curve(np.linspace(0, 100, 501))
    ends = curve.basis(np.array([120.0, 130.0, 140.0]))
    assert np.diff(ends, n=2, axis=0) == pytest.approx(np.zeros((1, curve.width)), abs=1e-9)  # arithmetic


def test_curves_use_the_model_of_the_ranking_if_given(workshop, costs, curves):
    shared_model = dose_response_curves(dose_response_base(workshop, costs.design, costs.return_model))
    assert_frame_equal(shared_model, curves, rel_tol=1e-7)
