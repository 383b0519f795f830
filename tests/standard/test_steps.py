"""The standard's steps and holds hold for every drawn case, and the printed rules are these cases."""

from pathlib import Path

import pytest

import analysis.standard
from analysis.standard import built_in, holds, how_far, missed_steps
from tests.build import bleed, log_of
from tests.standard.cases import BRAKES, HOLD_CASES, STEP_CASES
from tests.standard.print_rules import rules_text


@pytest.mark.parametrize("case", STEP_CASES, ids=lambda case: f"{case.step}: {case.because}")
def test_a_step_is_missed_met_or_not_recorded(case):
    log = log_of([bleed("S1", "2026-01-05", **case.readings)], brakes=BRAKES)
    assert missed_steps(log, built_in()).get_column(case.step).to_list() == [case.missed]


@pytest.mark.parametrize("case", HOLD_CASES, ids=lambda case: case.because)
def test_a_hold_is_raised_when_and_only_when_its_rule_is_broken(case):
    found = holds(log_of([bleed("S1", "2026-01-05", **case.readings)]), built_in())
    assert tuple(found.get_column("rule")) == case.holds


def test_a_hold_closes_once_a_later_bleed_of_that_brake_broke_no_rule():
    log = log_of(
        [
            bleed("S1", "2026-01-05", hard_pull_firm=False),
            bleed("S2", "2026-01-09", hard_pull_firm=True),
            bleed("S3", "2026-01-05", hard_pull_firm=False, brake="rear"),
        ]
    )
    assert dict(holds(log, built_in()).select("session_id", "open").iter_rows()) == {"S1": False, "S3": True}


def test_how_far_outside_is_told_in_the_fields_own_unit():
    log = log_of([bleed("S1", "2026-01-05", lever_reach_mm=72.0, caliper_port_nm=2.5, cycles=2)])
    assert how_far(log, built_in()).select("step", "outside").rows() == [
        ("caliper_port", pytest.approx(0.5)),
        ("reach", pytest.approx(-3.0)),
    ]


def test_the_printed_rules_are_these_cases():
    printed = Path(analysis.standard.__file__).with_name("RULES.md").read_text("utf-8")
    assert printed == rules_text(), "print it again: python -m tests.standard.print_rules"
