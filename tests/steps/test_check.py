"""The doubly robust check speaks up where the headline is led astray, and is silent where it is not."""

from dataclasses import replace

import numpy as np
import polars as pl

from analysis.steps import step_costs

STEP = "pads_out"
BLEEDS = 20_000
NOT_RECORDED = (
    "technician",
    "brake_model",
    "lever_travel_after_mm",
    "bubbles_first",
    "pump_gain_mm",
    "next_bleed_days",
)


def with_a_harmless_step_missed_on_long_hoses(workshop, risk):
    """One step recorded, missed the more the longer the hose; `risk` gives the chance to come back by that length."""
    rng = np.random.default_rng(1)
    drawn = workshop.bleeds[rng.integers(0, workshop.bleeds.height, BLEEDS)]
    length = rng.uniform(-1.7, 1.7, BLEEDS)
    missed = rng.random(BLEEDS) < 1 / (1 + np.exp(-1.7 * length))
    age, after = drawn["age_days"].to_numpy(), rng.integers(1, 60, BLEEDS)
    back = (rng.random(BLEEDS) < risk(length)) & (after <= age)
    names = pl.Series([f"S{k:06d}" for k in range(BLEEDS)])
    bleeds = drawn.with_columns(
        *(pl.lit(None, dtype=drawn.schema[name]).alias(name) for name in NOT_RECORDED),
        session_id=names,
        bike_id=names,
        hose_mm=pl.Series(1300 + 200 * length),
        return_days=pl.when(pl.Series(back)).then(pl.Series(after)),
        days_at_risk=pl.Series(np.where(back, after, age)),
        end=pl.Series(np.where(back, "return", "as_of")),
        came_back=pl.Series(back),
    )
    others = [pl.lit(None, dtype=pl.Boolean).alias(name) for name in workshop.missed.columns[1:] if name != STEP]
    steps = pl.DataFrame({"session_id": names, STEP: missed}).with_columns(others).select(workshop.missed.columns)
    return replace(workshop, bleeds=bleeds, missed=steps)


def told(workshop, risk):
    table = step_costs(with_a_harmless_step_missed_on_long_hoses(workshop, risk), np.random.default_rng(1)).table
    return table.row(by_predicate=pl.col("step") == STEP, named=True)


def test_a_step_blamed_for_the_work_it_is_missed_on_is_disagreed_with(workshop):
    """A risk that rises and falls along the length is beyond the model of the risk, so the step is blamed for it.

    The chance of a miss rises evenly, which the check's other model can say: it is right where either of the two is.
    """
    blamed = told(workshop, lambda z: 0.02 + 0.45 * ((z > 0) & (z < 1)) + 0.45 * (z < -1.3))
    assert blamed["lo"] > 0
    assert blamed["check_lo"] < 0 < blamed["check_hi"]
    assert blamed["check_disagrees"]


def test_where_the_model_of_the_risk_is_right_it_is_agreed_with(workshop):
    harmless = told(workshop, lambda z: 0.06 * np.exp(0.5 * z))
    assert harmless["lo"] < 0 < harmless["hi"]
    assert harmless["check_disagrees"] is False
