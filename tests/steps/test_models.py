"""Step estimates by another return model, and from a sample of the bleeds."""

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from analysis.dataset import data_for_fitting, fit_notes
from analysis.steps import crude_step_differences, dose_response_curves, dose_response_inputs, interactions, step_costs
from analysis.survival import WeibullModel
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import prepared_of


def test_a_weibull_regression_gives_the_steps_as_the_cox_model_does(workshop, costs):
    """The simulated hazard is close to Weibull's: the two models differ by less than a third of a standard error."""
    other = step_costs(workshop, np.random.default_rng(1), survival=WeibullModel)
    one, two = (table.filter(pl.col("survival_estimate").is_not_null()) for table in (costs.table, other.table))
    sd = ((one["survival_estimate_hi"] - one["survival_estimate_lo"]) / 3.92).to_numpy()
    assert np.abs(two["survival_estimate"].to_numpy() - one["survival_estimate"].to_numpy()).max() < 0.34 * sd.max()
    assert (two["survival_estimate_hi"] - two["survival_estimate_lo"]).to_numpy() / 3.92 == pytest.approx(sd, rel=0.25)
    assert np.corrcoef(one["preventable_per_100"], two["preventable_per_100"])[0, 1] > 0.95
    base = dose_response_inputs(workshop, other.design, other.return_model)
    assert dose_response_curves(base).height
    assert interactions(workshop, other.design, other.return_model)["step"].to_list()


@pytest.fixture(scope="module")
def large():
    return prepared_of(simulate(scenario_workshop("base", 3000), seed=12))


def test_models_fit_a_sample_of_bikes_while_counts_use_all_bleeds(large):
    sample = data_for_fitting(large, 1, limit=1_500)
    assert 1_400 < len(sample.bleeds) <= 1_500
    table = step_costs(large, np.random.default_rng(1), sample).table
    counts = ["step", "recorded", "missed", "share_missed", "crude_difference"]
    assert_frame_equal(table.select(counts), crude_step_differences(large).select(counts).sort("step"))
    alone = step_costs(sample, np.random.default_rng(1)).table
    rest = [name for name in table.columns if name not in counts]
    assert_frame_equal(table.select(rest), alone.select(rest))


def test_a_note_says_how_many_bleeds_were_fitted(large):
    sample = data_for_fitting(large, 1, limit=1_500)
    assert data_for_fitting(large, 1) is large
    assert fit_notes(large, large) == ()
    (note,) = fit_notes(large, sample)
    assert f"{len(sample.bleeds):,} of the 3,000 bleeds" in note
    assert "1.4 times as wide" in note


def test_the_order_of_the_rows_does_not_change_the_sample(large):
    again = data_for_fitting(large, 1, limit=1_500)
    assert data_for_fitting(large, 1, limit=1_500).bleeds["session_id"].equals(again.bleeds["session_id"])
    assert not data_for_fitting(large, 2, limit=1_500).bleeds["session_id"].equals(again.bleeds["session_id"])
