"""Power for a step by simulation: no effect is detected at the nominal level, a large one almost always."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from analysis.dataset import BleedData
from analysis.plan import PowerStudy, StepPower, estimable_steps, step_power
from analysis.plan.sample_size import _required_bleeds
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import prepared_of


@pytest.fixture(scope="module")
def shop() -> BleedData:
    return prepared_of(simulate(scenario_workshop("base", 1200), 8))


@pytest.fixture(scope="module")
def large(shop: BleedData) -> StepPower:
    return step_power(shop, PowerStudy("cycles", 4.0, (300, 1200), runs=20), np.random.default_rng(3))


def test_more_bleeds_detect_a_step_more_often(large: StepPower) -> None:
    few, many = large.sizes
    assert few.share_detected < many.share_detected
    assert many.share_detected >= 0.9
    assert large.required_bleeds is not None
    assert large.required_bleeds < 1200


def test_comebacks_grow_with_the_bleeds(large: StepPower) -> None:
    few, many = large.sizes
    assert many.comebacks == pytest.approx(4 * few.comebacks, rel=0.15)


def test_almost_no_effect_is_detected_no_more_often_than_the_level(shop: BleedData) -> None:
    """60 resamples with a hazard ratio of 1.0001 at 5%: the test keeps its level."""
    result = step_power(shop, PowerStudy("lever_fill", 1.0001, (1200,), runs=60), np.random.default_rng(4)).sizes[0]
    assert round(result.share_detected * 60) <= stats.binom.ppf(0.999, 60, 0.05)


def test_a_miss_that_halves_returns_prevents_fewer_than_none(shop: BleedData) -> None:
    """Never missing such a step would add comebacks."""
    assert step_power(shop, PowerStudy("cycles", 0.5, (300,), runs=10), np.random.default_rng(5)).prevented_per_100 < 0


def test_the_required_size_follows_the_square_root_law() -> None:
    """z of 1 at 100 bleeds and 2 at 400: 2.8016 at (28.016)² = 784.9."""
    rng = np.random.default_rng(6)
    z = [1 + rng.normal(0, 1e-6, 10), 2 + rng.normal(0, 1e-6, 10)]
    assert _required_bleeds([100, 400], z, 1.0, 0.8)[0] == pytest.approx(784.89, abs=0.01)
    assert _required_bleeds([100, 400], z, -1.0, 0.8)[0] is None


def test_a_step_hardly_ever_missed_is_refused(shop: BleedData) -> None:
    assert "cycles" in estimable_steps(shop)
    with pytest.raises(ValueError, match="found step polish"):
        step_power(shop, PowerStudy("polish", 2.0, (300,)), np.random.default_rng(1))
