"""What drifts over the years together with technique is not laid to technique."""

from dataclasses import replace

import numpy as np
import polars as pl

from analysis.steps.design_matrix import CALENDAR, design_of
from analysis.steps.marginal_effects import estimate_marginal_effects
from tests.steps.blamed import STEP, with_a_harmless_step_missed


def test_a_harmless_step_missed_more_and_more_is_not_blamed_for_a_rate_that_rises(workshop):
    drifting = with_a_harmless_step_missed(workshop, lambda late: 0.08 * np.exp(0.5 * late), late=True)
    found = estimate_marginal_effects(drifting, design_of(drifting, (STEP,)))
    assert abs(found.prevented[0]) < 2.5 * found.sd[0]
    missed, back = drifting.missed[STEP].to_numpy(), drifting.bleeds["came_back"].to_numpy()
    assert back[missed].mean() > 1.5 * back[~missed].mean()


def test_a_log_of_one_day_has_no_course(workshop, costs):
    names = [name for name in costs.design.names if name.startswith("day ")]
    assert len(names) == CALENDAR
    day = workshop.bleeds["started_at"][0]
    once = replace(workshop, bleeds=workshop.bleeds.with_columns(pl.lit(day).alias("started_at")))
    assert not [name for name in design_of(once, ("purge",)).names if name.startswith("day ")]
