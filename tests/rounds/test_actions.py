"""Recalls and second checks as a table of the log: reading, recalls closed, follow-up ended, share found."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from analysis.audit import run_audit
from analysis.dataset import bleed_data
from analysis.intake import read_log
from analysis.pages.lead_since import _open_recalls_not_reached
from analysis.rounds import ShareFound, action_results, share_found
from analysis.standard import built_in, closing_actions, holds
from tests.build import bleed, comeback, log_of

DAY = dt.date(2026, 3, 5)
HEADINGS = ("action_id", "kind", "session_id", "bike_id", "brake", "done_on", "by", "outcome", "minutes")


def action(outcome: str, **others: object) -> dict[str, object]:
    return {"action_id": "A1", "kind": "recall", "session_id": "S1", "done_on": DAY, "outcome": outcome} | others


@pytest.mark.parametrize(
    ("outcome", "kind", "is_open"),
    [
        ("firm", "recall", False),
        ("re_bled", "recall", False),
        ("elsewhere", "recall", False),
        ("fault_found", "recall", True),
        ("not_reached", "recall", True),
        ("declined", "recall", True),
        ("firm", "second_check", True),
        ("re_bled", "second_check", False),
    ],
)
def test_an_outcome_closes_a_recall_or_not(outcome: str, kind: str, is_open: bool) -> None:
    log = log_of([bleed("S1", "2026-03-01", hard_pull_firm=False)], actions=[action(outcome, kind=kind)])
    assert holds(log, built_in()).get_column("open").to_list() == [is_open]


@pytest.mark.parametrize(
    "fault", [{"leak_seen": True}, {"fluid_required": "mineral", "fluid_used": "dot5.1"}], ids=["leak", "fluid"]
)
@pytest.mark.parametrize(
    ("outcomes", "is_open"), [(["firm"], True), (["re_bled"], False), (["firm", "re_bled"], False)]
)
def test_a_firm_lever_closes_no_recall_for_a_leak_or_a_fluid(fault, outcomes, is_open) -> None:
    done = [action(one, action_id=f"A{at}", done_on=DAY + dt.timedelta(days=at)) for at, one in enumerate(outcomes)]
    log = log_of([bleed("S1", "2026-03-01", **fault)], actions=done)
    table = holds(log, built_in())
    assert table.get_column("open").to_list() == [is_open]
    by = closing_actions(log).filter(pl.col("rule") == table.item(0, "rule")).get_column("closed_by").to_list()
    assert by == ([] if is_open else ["re_bled"])


def test_a_recall_done_before_the_bleed_does_not_close_it() -> None:
    log = log_of(
        [bleed("S1", "2026-03-01", hard_pull_firm=False)], actions=[action("firm", done_on=dt.date(2026, 2, 1))]
    )
    assert holds(log, built_in()).get_column("open").all()


def followed(back: str | None, *actions: dict[str, object]) -> dict[str, object]:
    returns = [] if back is None else [comeback("R1", back, session_id="S1")]
    log = log_of([bleed("S1", "2026-03-01")], returns, actions=list(actions))
    row = bleed_data(log, built_in(), 90).bleeds.row(0, named=True)
    return {name: row[name] for name in ("end", "days_at_risk", "came_back")}


@pytest.mark.parametrize(
    ("back", "end", "days", "came_back"),
    [
        (None, "re_bled", 4, False),
        ("2026-03-03", "return", 2, True),
        ("2026-03-05", "re_bled", 4, False),
        ("2026-04-01", "re_bled", 4, False),
    ],
)
def test_a_re_bleed_ends_the_follow_up_on_its_day(back: str | None, end: str, days: int, came_back: bool) -> None:
    expected = {"end": end, "days_at_risk": days, "came_back": came_back}
    assert followed(back, action("re_bled", kind="second_check")) == expected


def test_a_check_that_ends_firm_changes_nothing() -> None:
    assert followed("2026-04-01", action("firm", kind="second_check")) == followed("2026-04-01")


def test_the_bleed_of_a_check_is_no_comeback() -> None:
    bleeds = [bleed("S1", "2026-03-01"), bleed("S2", "2026-03-05", job_reason="comeback")]
    plain, checked = (
        bleed_data(log_of(bleeds, [], actions=actions), built_in(), 90).bleeds.get_column("came_back")[0]
        for actions in ([], [action("re_bled", kind="second_check")])
    )
    assert (plain, checked) == (True, False)


def test_the_share_found_by_hand() -> None:
    """Three faults found and one that came back although checked firm: 3 of 4; firm and silent bleeds are no faults."""
    outcomes = ["re_bled", "fault_found", "re_bled", "firm", "firm", "firm"]
    bleeds = [bleed(f"S{i}", "2026-01-10", bike_id=f"bike {i}") for i in range(6)]
    actions = [
        action(outcome, action_id=f"A{i}", session_id=f"S{i}", kind="second_check", done_on=dt.date(2026, 1, 12))
        for i, outcome in enumerate(outcomes)
    ]
    log = log_of(bleeds, [comeback("R1", "2026-02-10", session_id="S3", bike_id="bike 3")], actions=actions)
    share = share_found(log, bleed_data(log, built_in(), 90))
    assert (share.checked, share.faults_found, share.missed, share.share) == (6, 3, 1, 0.75)
    assert share.limits == pytest.approx((0.194120, 0.993691), abs=1e-6)  # R: binom.test(3, 4)$conf.int, from memory
    assert not share.has_enough_checks
    note = action_results(log, share, 0.7).get_column("note")[-1]
    assert "70%" in note
    assert "now 6" in note


@pytest.mark.parametrize(
    ("checked", "detected", "missed", "estimated"), [(19, 6, 2, False), (20, 3, 1, False), (20, 4, 1, True)]
)
def test_the_assumption_is_kept_until_enough_is_known(
    checked: int, detected: int, missed: int, estimated: bool
) -> None:
    assert ShareFound(checked, detected, missed).has_enough_checks is estimated


def write(folder: Path, rows: list[list[str]]) -> list[str]:
    (folder / "bleeds.csv").write_text(
        "session_id,bike_id,brake,technician,started_at\nS1,B1,front,Wren,2026-03-01\nS2,B1,front,Wren,2026-04-01\n"
    )
    with (folder / "to_do.csv").open("w", newline="") as file:
        csv.writer(file).writerows([HEADINGS, *rows])
    return [str(folder / "bleeds.csv"), str(folder / "to_do.csv")]


def test_a_list_is_read_and_rows_without_a_bleed_find_it(tmp_path: Path) -> None:
    rows = [
        ["A1", "recall", "S1", "B1", "front", "2026-03-05", "Sorrel", "firm", "10"],
        ["A2", "second check", "", "B1", "front", "2026-04-03", "Sorrel", "re-bled", ""],
        ["A3", "recall", "", "B9", "rear", "2026-04-03", "", "firm", ""],
        ["A4", "recall", "S2", "B1", "front", "", "", "", ""],
        ["A5", "recall", "S2", "B1", "front", "", "", "firm", ""],
    ]
    log = read_log(write(tmp_path, rows))
    assert log.actions.get_column("session_id").to_list() == ["S1", "S2", None, "S2", "S2"]
    assert log.intake.filter(pl.col("table") == "actions").get_column("accepted").to_list() == [5]
    assert [w for w in log.warnings if "second checks" in w] == [
        "recalls and second checks: 1 with a date but no outcome, or an outcome but no date: counted as still to do",
        "recalls and second checks: 1 with no bleed of that brake in the log: not counted",
    ]
    assert "Sorrel" in log.names
    assert log.as_of == dt.date(2026, 4, 3)


def test_bad_cells_of_a_list_are_rejected_or_blanked_with_a_reason(tmp_path: Path) -> None:
    rows = [
        ["A1", "chat", "S1", "B1", "front", "2026-03-05", "", "firm", ""],
        ["A2", "recall", "S1", "B1", "front", "2026-03-05", "", "vanished", "900"],
        ["A3", "recall", "S1", "B1", "front", "2026-06-01", "", "firm", ""],
    ]
    log = read_log(write(tmp_path, rows), as_of=dt.date(2026, 5, 1))
    reasons = set(log.set_aside.select("column", "rule", "action").iter_rows())
    assert reasons == {
        ("kind", "unknown_level", "row_set_aside"),
        ("outcome", "unknown_level", "value_blanked"),
        ("minutes", "out_of_range", "value_blanked"),
        ("done_on", "after_as_of", "value_blanked"),
    }


def test_a_list_is_not_taken_for_a_table_of_the_map_that_needs_one_of_its_headings(tmp_path: Path) -> None:
    """A map whose brake models have the heading “Brake” would fit the list's column “brake”."""
    files = write(tmp_path, [["A1", "recall", "S1", "B1", "front", "2026-03-05", "Sorrel", "firm", "10"]])
    path = tmp_path / "map.toml"
    path.write_text('[brakes.columns]\nbrake_model = "Brake"\n')
    models = tmp_path / "models.csv"
    models.write_text("Brake,Ratio\nBasalt 2,5\n")
    log = read_log([*files, str(models)], str(path))
    assert (log.actions.height, log.brakes.height) == (1, 1)


@pytest.mark.parametrize(("job", "listed"), [("S1", []), ("S2", ["S2"]), (None, ["S2"])])
def test_an_owner_not_reached_is_one_called_about_the_recall_that_is_still_open(job, listed) -> None:
    """The brake was bled again after the first call, and that bleed has a recall of its own."""
    bleeds = [bleed("S1", "2026-03-01", hard_pull_firm=False), bleed("S2", "2026-03-20", leak_seen=True)]
    calls = [action("not_reached", session_id=job, bike_id="bike", brake="front", done_on=dt.date(2026, 3, 21))]
    report = run_audit(log_of(bleeds, actions=calls))
    assert _open_recalls_not_reached(report).get_column("session_id").to_list() == listed
