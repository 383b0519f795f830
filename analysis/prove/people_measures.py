"""Outcomes of workshops with equal technicians, coachings or trials."""

from __future__ import annotations

import numpy as np
import polars as pl

from analysis.dataset import BleedData
from analysis.intake import Log
from analysis.people import coaching_effects, technique_table
from analysis.plan import trials
from analysis.prove.group_measures import Fact
from analysis.prove.scenarios import COACHED_FUTILE, COACHED_WORKS, THREE_EQUAL, TRIAL_WORKS
from schemas import empty
from schemas.outputs import Steps

EQUAL_NAMED = "three equal technicians: any named on a coaching card"
IMPROVEMENT_INVENTED = "the worst of a quarter coached without effect: called an improvement"
IMPROVEMENT_FOUND = "the worst of a quarter coached, half the misses gone: called an improvement"
DIFFERENCE_INVENTED = "a trial by workshop without effect: p at most 0.05"
DIFFERENCE_FOUND = "a trial by workshop that halves the hazard: p at most 0.05"


def people_facts(name: str, log: Log, data: BleedData, rng: np.random.Generator) -> list[Fact]:
    """Outcomes of one workshop of `PEOPLE_FAMILIES`; one per coaching where some were coached."""
    if name == THREE_EQUAL:
        table = technique_table(data, empty(Steps))
        return [Fact(EQUAL_NAMED, not table.filter("clear", pl.col("excess") > 0).is_empty())]
    if name in (COACHED_FUTILE, COACHED_WORKS):
        effects = coaching_effects(data, log.coaching).drop_nulls("change")
        measure = IMPROVEMENT_INVENTED if name == COACHED_FUTILE else IMPROVEMENT_FOUND
        return [Fact(measure, one) for one in effects.select(pl.col("clear") & (pl.col("change") < 0)).to_series()]
    p_value = trials(data, rng).get_column("p_value").drop_nulls().item()
    return [Fact(DIFFERENCE_FOUND if name == TRIAL_WORKS else DIFFERENCE_INVENTED, p_value <= 0.05)]
