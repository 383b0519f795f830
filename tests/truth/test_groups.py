"""Few groups, gaps in recording and restless calendars on simulated workshops with known truth (slow lane).

A share is met when its exact 95% binomial interval reaches into the aim. Seeds were fixed before the first run.
"""

from __future__ import annotations

import pytest

from analysis.prove.measures import OUTCOME_TARGETS
from analysis.prove.one_workshop import SimulationResult, audit_simulation
from analysis.prove.scenarios import CHANGES, GROUP_FAMILIES, LARGE_SESSIONS, ONE_OF_FIVE, UNCHANGED, ProofWorkshop
from analysis.prove.workshop_measures import share_row

pytestmark = pytest.mark.truth
WORKSHOPS, FIRST_SEED, SESSIONS, BUSY = 200, 90_000, 3000, 3900


@pytest.fixture(scope="module", params=(*GROUP_FAMILIES, CHANGES, UNCHANGED))
def worlds(request: pytest.FixtureRequest) -> list[SimulationResult]:
    name = request.param
    sessions = LARGE_SESSIONS if name == ONE_OF_FIVE else BUSY if name in (CHANGES, UNCHANGED) else SESSIONS
    return [audit_simulation(ProofWorkshop(name, sessions, FIRST_SEED + seed)) for seed in range(WORKSHOPS)]


def test_false_alarms_stay_within_targets_and_true_differences_are_found(worlds: list[SimulationResult]) -> None:
    facts = [fact for one in worlds for fact in one.facts]
    for measure in sorted({fact.measure for fact in facts}):
        true = [fact.true for fact in facts if fact.measure == measure]
        row = share_row(measure, SESSIONS, true, OUTCOME_TARGETS[measure])
        print(f"{worlds[0].family}: {measure}: {row['value']:.3f} ({row['lo']:.3f} to {row['hi']:.3f})")
        assert row["met"], row
