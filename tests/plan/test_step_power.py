"""Step power by simulation: no effect is found as often as chance says, a large one always, and more bleeds find more."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from analysis.dataset import BleedData
from analysis.plan import StepPower, estimable_steps, step_power
from analysis.plan.step_power import _needed
from synthetic import family, simulate
from tests.simulated_logs import prepared_of


@pytest.fixture(scope="module")
def shop() -> BleedData:
    return prepared_of(simulate(family("base", 1200), 8))


@pytest.fixture(scope="module")
def large(shop: BleedData) -> StepPower:
    return step_power(shop, "cycles", 4.0, [300, 1200], np.random.default_rng(3), runs=20)


def test_more_bleeds_find_a_step_more_often(large: StepPower) -> None:
    few, many = large.sizes
    assert few.detected < many.detected
    assert many.detected >= 0.9
    assert large.needed is not None
    assert large.needed < 1200


def test_comebacks_grow_with_the_bleeds(large: StepPower) -> None:
    few, many = large.sizes
    assert many.comebacks == pytest.approx(4 * few.comebacks, rel=0.15)


def test_a_step_that_does_next_to_nothing_is_found_as_often_as_chance_allows(shop: BleedData) -> None:
    """60 draws with a hazard ratio of 1.0001 at 5%: the test of the return model keeps its level."""
    found = step_power(shop, "lever_fill", 1.0001, [1200], np.random.default_rng(4), runs=60).sizes[0]
    assert round(found.detected * 60) <= stats.binom.ppf(0.999, 60, 0.05)


def test_what_it_would_spare_is_what_the_planted_effect_adds(shop: BleedData) -> None:
    """A miss that halves returns would, met always, spare fewer than none."""
    assert step_power(shop, "cycles", 0.5, [300], np.random.default_rng(5), runs=10).per_100 < 0


def test_the_size_needed_is_read_off_the_root_of_the_bleeds() -> None:
    """z of 1 at 100 bleeds and 2 at 400: 2.8016 at (28.016)² = 784.9."""
    rng = np.random.default_rng(6)
    z = [1 + rng.normal(0, 1e-6, 10), 2 + rng.normal(0, 1e-6, 10)]
    assert _needed([100, 400], z, 1.0, 0.8)[0] == pytest.approx(784.89, abs=0.01)
    assert _needed([100, 400], z, -1.0, 0.8)[0] is None


def test_a_step_hardly_ever_missed_cannot_be_drawn(shop: BleedData) -> None:
    assert "cycles" in estimable_steps(shop)
    with pytest.raises(ValueError, match="step_power"):
        step_power(shop, "polish", 2.0, [300], np.random.default_rng(1))
