"""Dose-response curves."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from analysis.standard import Limits
from analysis.standard.rules import Between
from analysis.steps import dose_response_curves, dose_response_inputs
from analysis.steps.dose_response import _fit_curve, _MeasuredReading, reading_curve


@pytest.fixture(scope="module")
def curves(workshop, costs):
    return dose_response_curves(dose_response_inputs(workshop, costs.design))


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
    shared_model = dose_response_curves(dose_response_inputs(workshop, costs.design, costs.return_model))
    assert_frame_equal(shared_model, curves, rel_tol=1e-7)


def test_levels_never_cross_a_limit_and_the_last_one_says_that_it_is_open():
    counts = {0: 5, 1: 3, 2: 20, 3: 20, 4: 20, 5: 20, 6: 800, 7: 12, 9: 2}
    readings = np.repeat(np.array(list(counts), dtype=float), list(counts.values()))
    curve = reading_curve(readings, Limits(0.0, 1.0))  # 1 is within and rare, 2 beyond and common
    assert curve.levels
    assert curve.grid.tolist() == [0, 2, 3, 4, 5, 6]
    assert curve.pooled == ("0–1", None, None, None, None, "6+")
    assert curve.nearest_counts(readings).tolist() == [8, 20, 20, 20, 20, 814]


def test_a_rare_value_beyond_the_limit_is_a_level_of_its_own():
    counts = {0: 4000, 1: 3, 2: 10, 3: 10, 4: 10, 5: 10, 6: 10, 8: 1}
    readings = np.repeat(np.array(list(counts), dtype=float), list(counts.values()))
    curve = reading_curve(readings, Limits(None, 0.0))
    assert curve.grid.tolist()[:2] == [0, 2]
    assert curve.pooled == (None, "1–2", None, None, None, "6+")  # not with 0, which is equally near
    assert curve.nearest_counts(readings).tolist() == [4000, 13, 10, 10, 10, 11]


def test_a_side_of_the_limit_with_few_readings_keeps_a_level():
    counts = {0: 1, 1: 500, 2: 50, 3: 40, 4: 30, 5: 20, 6: 10}
    readings = np.repeat(np.array(list(counts), dtype=float), list(counts.values()))
    curve = reading_curve(readings, Limits(1.0, None))
    assert curve.grid.tolist() == [0, 1, 2, 3, 4, 5]
    assert curve.pooled == (None, None, None, None, None, "5+")


def test_a_value_with_too_few_readings_counts_with_a_neighbour_on_its_side_of_the_limit():
    counts = {0: 400, 1: 90, 2: 12, 3: 40, 4: 9}
    readings = np.repeat(np.array(list(counts), dtype=float), list(counts.values()))
    curve = reading_curve(readings, Limits(None, 1.0), least=30)
    assert curve.grid.tolist() == [0, 1, 3]
    assert curve.pooled == (None, None, "2+")
    assert curve.nearest_counts(readings).tolist() == [400, 90, 61]


@pytest.mark.parametrize("highest", [None, 4.0])  # the rare value beyond a limit is alone on its side
def test_a_rare_value_without_comebacks_does_not_make_a_curve_clear(workshop, costs, highest):
    base = dose_response_inputs(workshop, costs.design, costs.return_model)
    rule = Between(Limits(None, highest))
    step = replace(next(s for s in workshop.standard.steps if s.id == "settle"), rule=rule)
    clear = 0
    for seed in range(40):
        values = np.random.default_rng(seed).choice(6, 1000, p=[0.45, 0.3, 0.15, 0.06, 0.03, 0.01]).astype(float)
        curve = reading_curve(values, step.limits, base.fewest_readings)
        clear += _fit_curve(base, _MeasuredReading(step, values, curve)).table.item(0, "p_value") <= 0.01
    assert clear <= 3  # 0.4 expected; without pooling or leaving out about 12
