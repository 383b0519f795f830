"""The air score: which readings it uses, which it leaves out, and what sparse logs give."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from analysis.steps import step_costs
from analysis.steps.evidence import air_score, mediator_evidence
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import prepared_of


def readings_with_air(n=400, seed=1, **columns):
    """Bleeds of one brake model whose readings all depend on the same air; and that air."""
    rng = np.random.default_rng(seed)
    air = np.exp(rng.standard_normal(n))
    signs = {
        "lever_travel_after_mm": 20 + 2 * air + 0.5 * rng.standard_normal(n),
        "bubbles_first": rng.poisson(3 + 6 * air),
        "pump_gain_mm": 0.7 * air + 0.2 * rng.standard_normal(n),
    }
    columns_of_signs = {name: pl.Series(columns.get(name, values), dtype=pl.Float64) for name, values in signs.items()}
    return pl.DataFrame({"brake_model": ["Marl 4"] * n, **columns_of_signs}), air


def test_the_score_follows_the_logarithm_of_the_air_more_closely_than_any_one_sign():
    bleeds, air = readings_with_air()
    together = np.corrcoef(air_score(bleeds), np.log(air))[0, 1]
    alone = [
        np.corrcoef(np.log(np.maximum(bleeds[name].to_numpy() - low, 0.1)), np.log(air))[0, 1]
        for name, low in (("lever_travel_after_mm", 20), ("bubbles_first", 3), ("pump_gain_mm", 0))
    ]
    assert together > max(alone)
    assert together > 0.9


def test_the_score_is_standardised():
    score = air_score(readings_with_air()[0])
    assert (score.mean(), score.std()) == pytest.approx((0, 1), abs=1e-9)


def test_an_excluded_reading_changes_nothing():
    bleeds, _ = readings_with_air()
    longer = bleeds.with_columns(pl.col("lever_travel_after_mm").reverse())
    np.testing.assert_array_equal(air_score(bleeds, ("travel",)), air_score(longer, ("travel",)))
    assert not np.allclose(air_score(bleeds), air_score(longer))


def test_a_bleed_without_any_reading_gets_the_mean():
    bleeds, _ = readings_with_air()
    first = pl.int_range(pl.len()) == 0
    blank = bleeds.with_columns(pl.when(~first).then(pl.col(c)) for c in bleeds.columns[1:])
    assert air_score(blank)[0] == 0
    assert np.isfinite(air_score(blank)).all()


@pytest.mark.parametrize("value", [None, 0.0])
def test_readings_never_recorded_or_all_alike_give_no_score(value):
    bleeds, _ = readings_with_air(
        **{c: [value] * 400 for c in ("lever_travel_after_mm", "bubbles_first", "pump_gain_mm")}
    )
    assert air_score(bleeds) is None


def test_a_step_that_lengthens_the_travel_is_judged_by_bubbles_and_pump_gain(costs, workshop):
    """In this simulation a missed reach lengthens the travel by 0.8 mm and leaves no air."""
    evidence = mediator_evidence(workshop, costs.design, costs.return_model)
    place = costs.design.steps.index("reach")
    moved = workshop.bleeds.with_columns(
        pl.col("lever_travel_after_mm") + 5 * workshop.missed["reach"].fill_null(False).cast(pl.Float64)
    )
    again = mediator_evidence(_with(workshop, moved), costs.design, costs.return_model)
    assert again.delta[place] == pytest.approx(evidence.delta[place])
    assert evidence.applies[place]
    assert not evidence.applies[costs.design.steps.index("seals")]


def test_travel_alone_is_no_evidence_on_a_step_that_changes_the_travel(costs, workshop):
    blank = [pl.lit(None, dtype=workshop.bleeds.schema[c]).alias(c) for c in ("bubbles_first", "pump_gain_mm")]
    evidence = mediator_evidence(_with(workshop, workshop.bleeds.with_columns(blank)), costs.design, costs.return_model)
    assert not evidence.applies[costs.design.steps.index("reach")]
    assert evidence.applies[costs.design.steps.index("purge")]


@pytest.mark.parametrize(("name", "predicts"), [("base", True), ("stand readings predict nothing", False)])
def test_worse_readings_predict_returns_only_where_they_do_in_the_simulation(name, predicts):
    world = prepared_of(simulate(scenario_workshop(name, 3000), 17))
    costs_there = step_costs(world, np.random.default_rng(1))
    assert (mediator_evidence(world, costs_there.design, costs_there.return_model).p_value < 0.001) is predicts


def _with(data, bleeds):
    return replace(data, bleeds=bleeds)
