"""What to call back: each brake once, this month's before older ones, the most dangerous first, the rest folded."""

from __future__ import annotations

from dataclasses import replace

from analysis.pages.callback import FIRST, to_call_back
from analysis.pages.findings import holds_sentence
from analysis.report import Report
from analysis.standard import built_in, holds
from tests.build import bleed, comeback, log_of
from tests.shops import report

OTHER_FAMILY = {"fluid_required": "mineral", "fluid_used": "dot4"}


def told(sessions: list[dict], comebacks: list[dict] | None = None) -> Report:
    log = log_of(sessions, comebacks)
    return replace(report(), log=log, holds=holds(log, built_in()))


def bikes(held: Report) -> list[str]:
    table = to_call_back(held).table
    assert table is not None
    place = table.headings.index("bike")
    return [row[place].text for row in table.rows]


MIXED = [
    bleed("S1", "2025-01-10", bike_id="old poison", **OTHER_FAMILY),
    bleed("S2", "2026-06-20", bike_id="soft", hard_pull_firm=False),
    bleed("S3", "2026-06-01", bike_id="poison", **OTHER_FAMILY),
    bleed("S4", "2026-06-25", bike_id="leaks", leak_seen=True),
    bleed("S5", "2026-06-28", bike_id="leaks later", leak_seen=True),
    bleed("S6", "2026-06-01", bike_id="mended", leak_seen=True),
    bleed("S7", "2026-06-09", bike_id="mended", leak_seen=False),
]


def test_this_month_comes_before_older_ones_then_danger_then_the_latest() -> None:
    assert bikes(told(MIXED)) == ["poison", "leaks later", "leaks", "soft", "old poison"]


def test_the_lead_is_told_how_many_to_call_today_and_what_of_the_older_ones() -> None:
    question = to_call_back(told(MIXED))
    assert question.action.startswith(
        "Today, before anything else, call back the 4 brakes that left in the last 31 days"
    )
    assert "Then the 1 older one (536 days ago)" in question.action
    assert "Begin with the 4 of the last 31 days." in holds_sentence(told(MIXED))
    assert question.points[0].startswith(
        "poison, front brake (bleed S3, 29 days ago): DOT 4, required mineral oil. Stop"
    )


def test_a_brake_stands_once_by_its_latest_bleed_and_worst_hold() -> None:
    twice = [
        bleed("S1", "2026-06-01", leak_seen=True),
        bleed("S2", "2026-06-20", leak_seen=True, **OTHER_FAMILY),
        bleed("S3", "2026-06-20", brake="rear", hard_pull_firm=False),
    ]
    question = to_call_back(told(twice))
    assert [point.split(" (")[1].split(",")[0] for point in question.points] == ["bleed S2", "bleed S3"]


def test_more_than_a_handful_are_folded_into_the_table() -> None:
    many = [bleed(f"S{i:02d}", "2026-06-20", bike_id=f"b{i}", leak_seen=True) for i in range(FIRST + 5)]
    question = to_call_back(told(many))
    assert len(question.points) == FIRST
    assert len(bikes(told(many))) == FIRST + 5
    assert not question.open_table
    assert "the other 5 stand in the table, in the order to call them" in question.action


def test_a_brake_that_came_back_since_says_so() -> None:
    came = told([bleed("S1", "2026-06-01", leak_seen=True)], [comeback("C1", "2026-06-11")])
    assert "It came back on 2026-06-11: ask what was done then." in to_call_back(came).points[0]


def test_nothing_to_call_back_asks_for_nothing() -> None:
    question = to_call_back(told([bleed("S1", "2026-06-01", leak_seen=False)]))
    assert (question.points, question.action) == ((), "")
