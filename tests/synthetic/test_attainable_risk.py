"""The most that a log can tell: exact where nothing is hidden, honest where something is."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from synthetic import Workshop, attainable_risks, scenario_workshop, simulate


@cache
def other(workshop: Workshop, seed: int = 4) -> tuple[np.ndarray, np.ndarray]:
    """Foreseeable and true risks of every bleed."""
    truth = simulate(workshop, seed).truth_bleeds
    result = attainable_risks(workshop, seed, truth.get_column("session_id"))
    return result.get_column("foreseeable_risk").to_numpy(), truth.get_column("risk").to_numpy()


def test_where_nothing_is_hidden_the_true_risk_is_foreseen() -> None:
    plain = replace(scenario_workshop("loglinear", 300), luck_sd=0.0, missing_random=0.0, one_off_share=1.0)
    result, truth = other(replace(plain, mean_gap_days=4000.0))
    assert np.median(np.abs(result / truth - 1)) < 1e-9


@pytest.mark.parametrize(
    "name", ["base", "loglinear", "30% not recorded", "stand readings predict nothing", "poor bookkeeping"]
)
def test_risks_of_bleeds_foreseen_alike_average_to_what_is_foreseen(name: str) -> None:
    """Within four standard errors of each half's mean true risk; without the weights the upper half is off by more."""
    result, truth = other(scenario_workshop(name, 2000))
    high = result > np.median(result)
    for half in (high, ~high):
        off = truth[half] - result[half]
        assert abs(off.mean()) < 4 * off.std() / half.sum() ** 0.5


def test_signs_that_say_nothing_leave_more_to_luck() -> None:
    observed, blind = (
        other(scenario_workshop("base", 2000)),
        other(scenario_workshop("stand readings predict nothing", 2000)),
    )
    lost = [np.corrcoef(np.log(result), np.log(truth))[0, 1] for result, truth in (observed, blind)]
    assert lost[0] > lost[1] + 0.05


def test_the_same_seed_foresees_the_same() -> None:
    workshop = scenario_workshop("base", 300)
    ids = simulate(workshop, 1).truth_bleeds.get_column("session_id")
    assert attainable_risks(workshop, 1, ids).equals(attainable_risks(workshop, 1, ids))


def test_signs_of_some_bleeds_alone_are_refused() -> None:
    workshop = replace(scenario_workshop("base", 100), signs_informative=0.5)
    with pytest.raises(ValueError, match="0 or 1"):
        attainable_risks(workshop, 1, simulate(workshop, 1).truth_bleeds.get_column("session_id"))
