"""Drift over the years is not attributed to technique."""

from dataclasses import replace

import numpy as np
import polars as pl

from analysis.steps.design_matrix import CALENDAR_DEGREE, build_design
from analysis.steps.marginal_effects import estimate_marginal_effects
from tests.steps.harmless_step import STEP, with_a_harmless_step_missed


def test_a_harmless_step_missed_ever_more_often_is_not_blamed_for_a_rising_rate(workshop):
    drifting = with_a_harmless_step_missed(workshop, lambda late: 0.08 * np.exp(0.5 * late), late=True)
    effects = estimate_marginal_effects(drifting, build_design(drifting, (STEP,)))
    assert abs(effects.prevented[0]) < 2.5 * effects.sd[0]
    missed, came_back = drifting.missed[STEP].to_numpy(), drifting.bleeds["came_back"].to_numpy()
    assert came_back[missed].mean() > 1.5 * came_back[~missed].mean()


def test_a_log_of_one_day_has_no_calendar_trend(workshop, costs):
    names = [name for name in costs.design.names if name.startswith("day ")]
    assert len(names) == CALENDAR_DEGREE
    day = workshop.bleeds["started_at"][0]
    one_day = replace(workshop, bleeds=workshop.bleeds.with_columns(pl.lit(day).alias("started_at")))
    assert not [name for name in build_design(one_day, ("purge",)).names if name.startswith("day ")]
