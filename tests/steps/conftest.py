"""One simulated workshop of a thousand bleeds, ranked once for all tests of the room."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.prepared import Prepared
from analysis.steps import StepCosts, step_costs
from synthetic import family, made
from tests.worlds import prepared_of


@pytest.fixture(scope="session")
def workshop() -> Prepared:
    return prepared_of(made(family("base", 1000), seed=11))


@pytest.fixture(scope="session")
def costs(workshop: Prepared) -> StepCosts:
    return step_costs(workshop, np.random.default_rng(1))
