"""Recalls: each brake once, recent bleeds before older ones, the most dangerous first, the rest in the table."""

from __future__ import annotations

from dataclasses import replace

from analysis.boards import lead_figures
from analysis.charts import holds_by_day
from analysis.pages.lead_holds import ROWS_LISTED, recall_finding, recall_question, recalls
from analysis.pages.recall_letters import recall_letters
from analysis.report import Report
from analysis.rounds import to_do_list
from analysis.standard import built_in, holds
from tests.build import bleed, comeback, log_of
from tests.shops import report

OTHER_FAMILY = {"fluid_required": "mineral", "fluid_used": "dot4"}


def audited(sessions: list[dict], comebacks: list[dict] | None = None) -> Report:
    log = log_of(sessions, comebacks)
    return replace(report(), log=log, holds=holds(log, built_in()))


def bikes(of: Report) -> list[str]:
    table = recall_question(of).table
    assert table is not None
    column = table.headings.index("bike")
    return [row[column].text for row in table.rows]


MIXED = [
    bleed("S1", "2025-01-10", bike_id="old poison", **OTHER_FAMILY),
    bleed("S2", "2026-06-20", bike_id="soft", hard_pull_firm=False),
    bleed("S3", "2026-06-01", bike_id="poison", **OTHER_FAMILY),
    bleed("S4", "2026-06-25", bike_id="leaks", leak_seen=True),
    bleed("S5", "2026-06-28", bike_id="leaks later", leak_seen=True),
    bleed("S6", "2026-06-01", bike_id="repaired", leak_seen=True),
    bleed("S7", "2026-06-09", bike_id="repaired", leak_seen=False),
]


def test_recent_bleeds_come_first_then_danger_then_the_latest() -> None:
    assert bikes(audited(MIXED)) == ["poison", "leaks later", "leaks", "soft", "old poison"]


def test_the_lead_sees_whom_to_call_first_and_what_to_ask_about_older_bleeds() -> None:
    question = recall_question(audited(MIXED))
    assert question.action.startswith("Before anything else, call the owners in this order, and ask them not to ride")
    assert "also ask whether another shop has re-bled the brake" in question.action
    finding = recall_finding(audited(MIXED))
    assert finding.text == (
        "5 brakes to recall (2 leaking, 2 wrong fluid, 1 soft lever). Start with the four bled in the last 31 days."
    )
    assert finding.detail == "Not recorded, so not checked: kit and lever travel."
    assert question.points[0] == "poison, front, 29 days ago: wrong fluid."
    assert "and ask them not to ride." in question.action
    assert question.table is not None
    to_do = question.table.headings.index("what to do")
    assert question.table.rows[0][to_do].text.startswith("Do not ride. Drain and flush the brake, replace the parts")


def test_a_brake_is_listed_once_under_its_latest_bleed_and_most_serious_reason() -> None:
    twice = [
        bleed("S1", "2026-06-01", leak_seen=True),
        bleed("S2", "2026-06-20", leak_seen=True, **OTHER_FAMILY),
        bleed("S3", "2026-06-20", brake="rear", hard_pull_firm=False),
    ]
    question = recall_question(audited(twice))
    assert [point.split(", ")[1:] for point in question.points] == [
        ["front", "10 days ago: wrong fluid."],
        ["rear", "10 days ago: soft lever."],
    ]


def test_every_brake_to_recall_is_listed_in_the_order_of_the_table_and_none_to_measure_again() -> None:
    long = {"lever_travel_before_mm": 25.0, "lever_travel_after_mm": 52.0}
    many = [bleed(f"S{i}", "2026-06-20", bike_id=f"b{i}", leak_seen=True) for i in range(1, 9)]
    question = recall_question(audited([*many, bleed("S9", "2026-06-29", bike_id="long", **long)]))
    assert [point.split(",")[0] for point in question.points] == bikes(audited(many))
    assert "The other one is in the table." in question.action


def test_a_long_list_is_continued_in_the_table() -> None:
    many = [bleed(f"S{i:02d}", "2026-06-20", bike_id=f"b{i}", leak_seen=True) for i in range(ROWS_LISTED + 5)]
    question = recall_question(audited(many))
    assert len(question.points) == ROWS_LISTED
    assert len(bikes(audited(many))) == ROWS_LISTED + 5
    assert not question.open_table
    assert "The other 5 are in the table." in question.action


def test_a_brake_that_was_back_since_says_so() -> None:
    returned = audited([bleed("S1", "2026-06-01", leak_seen=True)], [comeback("C1", "2026-06-11")])
    assert "It came back on 2026-06-11: ask what was done then." in recall_question(returned).points[0]


def test_nothing_to_recall_asks_for_nothing() -> None:
    question = recall_question(audited([bleed("S1", "2026-06-01", leak_seen=False)]))
    assert (question.points, question.action) == ((), "")
    assert "no recorded bleed breaks a safety rule" in question.answer.text


def test_a_recall_dealt_with_since_is_not_denied() -> None:
    again = [bleed("S1", "2026-06-01", leak_seen=True), bleed("S2", "2026-06-10", leak_seen=False)]
    text = recall_question(audited(again)).answer.text
    assert (
        text
        == "Nothing to recall now: 1 bleed broke a safety rule, but every brake concerned has been dealt with since."
    )


def test_a_log_without_safety_fields_cannot_be_checked_for_recalls() -> None:
    finding = recall_finding(audited([bleed("S1", "2026-06-01")]))
    assert finding.text == "Cannot check for recalls: fluid, kit, hard pull, leaks and lever travel are not recorded."


def test_brakes_to_measure_again_come_after_every_recall_and_are_counted_apart() -> None:
    mixed = [bleed("S8", "2026-06-29", bike_id="long", lever_travel_before_mm=25.0, lever_travel_after_mm=52.0), *MIXED]
    assert bikes(audited(mixed))[-2:] == ["old poison", "long"]
    assert recall_finding(audited(mixed)).text.startswith(
        "5 brakes to recall (2 leaking, 2 wrong fluid, 1 soft lever) and 1 to measure again."
    )
    assert lead_figures(audited(mixed))[0].value == "5"
    assert "5 brakes to recall, 1 to measure again" in holds_by_day(audited(mixed)).description
    (reason,) = to_do_list(audited(mixed)).filter(bike_id="long").get_column("reason")
    assert reason.startswith("Measure again: lever travel of 52 mm, up from 25 mm before the bleed. Measure")


def test_every_open_reason_of_a_brake_is_listed_with_the_day_where_it_is_another() -> None:
    bleeds = [
        bleed("S1", "2026-05-01", leak_seen=True),
        bleed("S2", "2026-06-20", hard_pull_firm=False, lever_travel_before_mm=25.0, lever_travel_after_mm=52.0),
    ]
    (row,) = recalls(audited(bleeds)).iter_rows(named=True)
    assert row["finding"] == (
        "a leak (on 1 May 2026) and a lever that was not firm under a hard pull and lever travel of 52 mm, up from 25 mm "
        "before the bleed"
    )
    (point,) = recall_question(audited(bleeds)).points
    assert point.endswith(", front, 10 days ago: leaking (on 1 May 2026).")


def test_a_travel_beyond_the_reach_is_called_implausible() -> None:
    travel = {"lever_travel_before_mm": 25.0, "lever_travel_after_mm": 111.0}
    (beyond,) = holds(log_of([bleed("S1", "2026-06-20", lever_reach_mm=78.0, **travel)]), built_in())["action"]
    (unknown,) = holds(log_of([bleed("S1", "2026-06-20", **travel)]), built_in())["action"]
    assert beyond.startswith("Measure again: the lever cannot travel further than its reach")
    assert unknown.startswith("Measure the lever travel again before the bike is ridden.")


def test_a_lever_firm_at_a_later_bleed_is_measured_again_and_no_longer_recalled_as_soft() -> None:
    bleeds = [
        bleed("S1", "2025-09-10", hard_pull_firm=False, lever_travel_before_mm=25.0, lever_travel_after_mm=47.5),
        bleed("S2", "2025-09-21", hard_pull_firm=True, lever_travel_before_mm=25.0, lever_travel_after_mm=52.0),
    ]
    assert recall_finding(audited(bleeds)).text == "1 brake to measure again."
    letter = recall_letters(audited(bleeds))
    assert "On 21 September 2025 we bled this brake" in letter
    assert "not firm" not in letter


def test_a_long_travel_without_a_hard_pull_on_record_leaves_the_soft_lever_open() -> None:
    bleeds = [
        bleed("S1", "2025-09-10", hard_pull_firm=False),
        bleed("S2", "2025-09-21", lever_travel_before_mm=25.0, lever_travel_after_mm=52.0),
    ]
    assert recall_finding(audited(bleeds)).text.startswith("1 brake to recall (1 soft lever).")


def test_a_travel_beyond_the_reach_is_named_a_wrong_entry_everywhere() -> None:
    travel = {"lever_travel_before_mm": 25.0, "lever_travel_after_mm": 111.0, "lever_reach_mm": 78.0}
    shop = audited([bleed("S1", "2026-06-20", **travel)])
    assert "lever travel of 111 mm, which cannot be right. Measure again" in recall_question(shop).points[0]
    assert "lever travel of 111 mm, which cannot be right" in recall_letters(shop)


def test_owners_are_asked_not_to_ride_only_where_the_action_says_so() -> None:
    """DOT 3 where DOT 4 is required is flushed; the letter does not forbid riding either."""
    grade = bleed("S1", "2026-06-20", bike_id="wrong grade", fluid_required="dot4", fluid_used="dot3")
    leak = bleed("S2", "2026-06-25", bike_id="leaks", leak_seen=True)
    assert "and ask them not to ride where the table says so." in recall_question(audited([grade, leak])).action
    assert "and ask them not to ride." in recall_question(audited([leak])).action
