"""The AIPW check disagrees where the outcome model is wrong, and agrees where it is right."""

import numpy as np
import polars as pl

from analysis.steps import step_costs
from tests.steps.harmless_step import STEP, with_a_harmless_step_missed


def step_row(workshop, risk):
    table = step_costs(with_a_harmless_step_missed(workshop, risk), np.random.default_rng(1)).table
    return table.row(by_predicate=pl.col("step") == STEP, named=True)


def test_the_check_disagrees_where_a_step_is_blamed_for_the_work_it_is_missed_on(workshop):
    """A risk that rises and falls with hose length does not fit the outcome model, so the step is blamed for it.

    The propensity of a miss rises steadily and fits its model: the check is right where either model is.
    """
    blamed = step_row(workshop, lambda z: 0.02 + 0.45 * ((z > 0) & (z < 1)) + 0.45 * (z < -1.3))
    assert blamed["lo"] > 0
    assert blamed["aipw_lo"] < 0 < blamed["aipw_hi"]
    assert blamed["aipw_disagrees"]


def test_the_check_agrees_where_the_outcome_model_is_right(workshop):
    harmless = step_row(workshop, lambda z: 0.06 * np.exp(0.5 * z))
    assert harmless["lo"] < 0 < harmless["hi"]
    assert harmless["aipw_disagrees"] is False
