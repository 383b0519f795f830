"""The standard's steps and recall rules on every case, and RULES.md printed from these cases."""

import datetime as dt
from pathlib import Path

import pytest

import analysis.standard
from analysis.standard import built_in, deviations_from_limits, holds, missed_steps
from tests.build import bleed, comeback, log_of
from tests.standard.print_rules import rules_text
from tests.standard.standard_cases import BRAKES, HOLD_CASES, STEP_CASES


def log_of_cases(cases, **others):
    """A log with one bleed per case, each of a different bike."""
    rows = [bleed(f"S{i:03d}", "2026-01-05", bike_id=f"b{i}", **case.readings) for i, case in enumerate(cases)]
    return log_of(rows, **others)


@pytest.fixture(scope="module")
def missed():
    return missed_steps(log_of_cases(STEP_CASES, brakes=BRAKES), built_in())


@pytest.fixture(scope="module")
def recalls():
    return holds(log_of_cases(HOLD_CASES), built_in())


@pytest.mark.parametrize(("place", "case"), list(enumerate(STEP_CASES)), ids=lambda case: getattr(case, "reason", ""))
def test_a_step_is_missed_met_or_not_recorded(missed, place, case):
    assert missed.get_column(case.step)[place] is case.missed


@pytest.mark.parametrize(("place", "case"), list(enumerate(HOLD_CASES)), ids=lambda case: getattr(case, "reason", ""))
def test_a_recall_is_raised_if_and_only_if_its_rule_is_broken(recalls, place, case):
    assert tuple(recalls.filter(recalls["session_id"] == f"S{place:03d}").get_column("rule")) == case.holds


def test_a_recall_closes_once_a_later_bleed_of_that_brake_broke_no_rule():
    log = log_of(
        [
            bleed("S1", "2026-01-05", hard_pull_firm=False),
            bleed("S2", "2026-01-09", hard_pull_firm=True),
            bleed("S3", "2026-01-05", hard_pull_firm=False, brake="rear"),
        ]
    )
    assert dict(holds(log, built_in()).select("session_id", "open").iter_rows()) == {"S1": False, "S3": True}


def test_the_cases_show_every_step_met_missed_and_not_recorded():
    states = {(case.step, case.missed) for case in STEP_CASES}
    assert states >= {(step.id, state) for step in built_in().steps for state in (True, False, None)}
    unrecorded = missed_steps(log_of([bleed("S1", "2026-01-05")]), built_in()).drop("session_id")
    assert unrecorded.row(0) == (None,) * len(built_in().steps)


@pytest.mark.parametrize(
    ("recalled", "later", "closed"),
    [
        ("2026-01-05T09:00", "2026-01-05T15:00", True),
        ("2026-01-05T15:00", "2026-01-05T09:00", False),
        ("2026-01-05", "2026-01-05T15:00", False),
        ("2026-01-05", "2026-01-05", False),
        ("2026-01-05T15:00", "2026-01-06", True),
        ("2026-01-06", "2026-01-05", False),
    ],
)
def test_a_recall_closes_only_if_the_other_bleed_was_certainly_later(recalled, later, closed):
    log = log_of([bleed("S1", recalled, leak_seen=True), bleed("S2", later, leak_seen=False)])
    assert holds(log, built_in()).get_column("open").to_list() == [not closed]


def test_a_recall_stays_open_if_the_later_bleed_broke_a_rule_too():
    log = log_of([bleed("S1", "2026-01-05", leak_seen=True), bleed("S2", "2026-01-09", hard_pull_firm=False)])
    assert holds(log, built_in()).get_column("open").to_list() == [True, True]


def test_a_recall_names_the_kit_and_the_fluids_in_words():
    log = log_of(
        [
            bleed("S1", "2026-01-05", fluid_required="dot3", fluid_used="mineral", kit_fluid="mineral"),
            bleed("S2", "2026-01-05", fluid_required="dot5.1", fluid_used="dot4"),
        ]
    )
    rows = holds(log, built_in()).select("observed", "required").rows()
    assert rows == [
        ("mineral oil", "DOT 3 (DOT 4 or DOT 5.1 may replace it)"),
        ("a kit for mineral oil", "a kit for DOT fluid"),
        ("DOT 4", "DOT 5.1"),
    ]


def test_a_fluid_of_the_other_family_needs_more_than_a_flush():
    bleeds = [bleed("S1", "2026-01-05", fluid_required="dot5.1", fluid_used=fluid) for fluid in ("dot4", "mineral")]
    same, other = (holds(log_of([one]), built_in()).get_column("action").item() for one in bleeds)
    assert "replace" not in same
    assert "replace the parts the maker lists" in other


def test_the_deviation_is_measured_from_the_limit_of_that_bleed():
    log = log_of(
        [
            bleed("S1", "2026-01-05", blocks_fitted=1, piston_pairs=3),
            bleed("S2", "2026-01-05", blocks_fitted=0),
            bleed("S3", "2026-01-05", caliper_syringe_end_ml=4.0, lever_syringe_end_ml=4.0),
            bleed("S4", "2026-01-05", lever_port_nm=1.5, brake_model="Basalt 2"),
        ],
        brakes=BRAKES,
    )
    outside = [
        row[2] for row in deviations_from_limits(log, built_in()).select("session_id", "step", "outside").iter_rows()
    ]
    assert outside == pytest.approx([-2, -1, 0, 0.5])


def test_a_reading_equal_to_a_limit_but_for_rounding_is_allowed():
    log = log_of([bleed("S1", "2026-01-05", lever_syringe_fill=0.1 + 0.2 + 0.35 - 1e-12)])
    assert missed_steps(log, built_in()).get_column("lever_fill").to_list() == [False]


def test_the_deviation_is_in_the_fields_unit():
    log = log_of([bleed("S1", "2026-01-05", lever_reach_mm=72.0, caliper_port_nm=2.5, cycles=2)])
    assert deviations_from_limits(log, built_in()).select("step", "outside").rows() == [
        ("caliper_port", pytest.approx(0.5)),
        ("reach", pytest.approx(-3.0)),
    ]


def test_the_printed_rules_are_these_cases():
    printed = Path(analysis.standard.__file__).with_name("RULES.md").read_text("utf-8")
    assert printed == rules_text(), "outdated; run: python -m tests.standard.print_rules"


def test_what_can_harm_soonest_comes_first_and_days_are_counted_to_the_as_of_date():
    other = {"fluid_required": "mineral", "fluid_used": "dot4"}
    log = log_of(
        [
            bleed("S1", "2026-06-01", bike_id="a", **other),
            bleed("S2", "2026-06-29", bike_id="b", leak_seen=True),
            bleed("S3", "2026-06-30", bike_id="c", fluid_required="dot5.1", fluid_used="dot3"),
            bleed("S4", "2026-06-30", bike_id="d", hard_pull_firm=False),
        ],
        [comeback("C1", "2026-06-05", bike_id="a"), comeback("C2", "2026-06-02", bike_id="a", brake="rear")],
    )
    recalls = holds(log, built_in())
    assert dict(recalls.select("session_id", "priority").iter_rows()) == {"S1": 1, "S2": 2, "S3": 5, "S4": 3}
    assert recalls.get_column("days_since").to_list() == [29, 1, 0, 0]
    assert recalls.get_column("returned_on").to_list() == [dt.date(2026, 6, 5), None, None, None]
