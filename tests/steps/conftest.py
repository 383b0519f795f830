"""One simulated workshop of 1,000 bleeds and its ranking, shared by the tests of the steps."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.dataset import BleedData
from analysis.steps import StepCosts, step_costs
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import prepared_of


@pytest.fixture(scope="session")
def workshop() -> BleedData:
    return prepared_of(simulate(scenario_workshop("base", 1000), seed=11))


@pytest.fixture(scope="session")
def costs(workshop: BleedData) -> StepCosts:
    return step_costs(workshop, np.random.default_rng(1))
