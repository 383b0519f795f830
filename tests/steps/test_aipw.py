"""The doubly robust check speaks up where the headline is led astray, and is silent where it is not."""

import numpy as np
import polars as pl

from analysis.steps import step_costs
from tests.steps.blamed import STEP, with_a_harmless_step_missed


def told(workshop, risk):
    table = step_costs(with_a_harmless_step_missed(workshop, risk), np.random.default_rng(1)).table
    return table.row(by_predicate=pl.col("step") == STEP, named=True)


def test_a_step_blamed_for_the_work_it_is_missed_on_is_disagreed_with(workshop):
    """A risk that rises and falls along the length is beyond the model of the risk, so the step is blamed for it.

    The chance of a miss rises evenly, which the check's other model can say: it is right where either of the two is.
    """
    blamed = told(workshop, lambda z: 0.02 + 0.45 * ((z > 0) & (z < 1)) + 0.45 * (z < -1.3))
    assert blamed["lo"] > 0
    assert blamed["aipw_lo"] < 0 < blamed["aipw_hi"]
    assert blamed["aipw_disagrees"]


def test_where_the_model_of_the_risk_is_right_it_is_agreed_with(workshop):
    harmless = told(workshop, lambda z: 0.06 * np.exp(0.5 * z))
    assert harmless["lo"] < 0 < harmless["hi"]
    assert harmless["aipw_disagrees"] is False
