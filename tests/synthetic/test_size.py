"""A million bleeds are made in well under a minute."""

import time

import pytest

from synthetic import scenario_workshop, simulate


@pytest.mark.slow
def test_a_million_bleeds_are_made_in_under_a_minute():
    began = time.perf_counter()
    log = simulate(scenario_workshop("base", 1_000_000), 1)
    assert time.perf_counter() - began < 60
    assert log.sessions.height == 1_000_000
