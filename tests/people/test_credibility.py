"""Each test of how a log was written, on entries drawn so that one technician has the habit and the others have not."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import stats

from analysis.people import credibility
from analysis.people.copies_and_habits import constant_findings, copy_findings, duration_findings
from analysis.people.digit_preference import digit_findings
from analysis.people.entries import EntryFinding, recorded_values
from tests.people.logs import FIRST, entries, ready

PEOPLE = ("Alder", "Flint", "Sorrel")
TRAVEL = ("lever_travel_after_mm",)


def travels(seed: int, count: int = 120, grid: float = 0.5) -> list[dict[str, Any]]:
    values = np.round(np.random.default_rng(seed).normal(24, 4, count) / grid) * grid
    return [{"lever_travel_after_mm": float(value)} for value in values]


def of(findings: list[EntryFinding], who: str) -> EntryFinding:
    return next(one for one in findings if one.technician == who)


def test_only_multiples_of_five_steps_are_found_where_peers_write_all_of_them() -> None:
    wren = entries("Wren", travels(9, grid=2.5))
    findings = digit_findings(
        recorded_values(ready(wren, *(entries(p, travels(i)) for i, p in enumerate(PEOPLE))).bleeds, TRAVEL)
    )
    assert of(findings, "Wren").p_value < 1e-10
    assert all(of(findings, person).p_value > 0.01 for person in PEOPLE)


def test_where_everyone_writes_so_the_instrument_is_coarse_and_nobody_is_found() -> None:
    everyone = (entries(p, travels(i, grid=2.5)) for i, p in enumerate((*PEOPLE, "Wren")))
    assert all(one.p_value > 0.01 for one in digit_findings(recorded_values(ready(*everyone).bleeds, TRAVEL)))


def test_a_reading_that_hardly_varies_has_no_digits_to_judge() -> None:
    rows = [{"cycles": 2 + n % 2} for n in range(100)]
    assert (
        digit_findings(recorded_values(ready(entries("Wren", rows), entries("Alder", rows)).bleeds, ("cycles",))) == []
    )


FIELDS = ("lever_reach_mm", "lever_syringe_fill", "cycles", "settle_minutes", "lever_port_nm", "caliper_port_nm")


def technique(seed: int, count: int = 60) -> list[dict[str, Any]]:
    rng = np.random.default_rng(seed)
    return [
        {
            "lever_reach_mm": float(rng.integers(70, 85)),
            "lever_syringe_fill": float(np.round(rng.uniform(0.6, 0.9), 2)),
            "cycles": int(rng.integers(1, 5)),
            "settle_minutes": float(rng.integers(1, 9)),
            "lever_port_nm": float(np.round(rng.uniform(1, 2), 1)),
            "caliper_port_nm": float(np.round(rng.uniform(1, 2), 1)),
        }
        for _ in range(count)
    ]


def test_entries_that_repeat_the_one_before_are_found_and_shown() -> None:
    own = technique(1)
    copied = [own[n - n % 3] for n in range(len(own))]
    findings = copy_findings(ready(entries("Wren", copied), entries("Alder", technique(2))).bleeds, FIELDS)
    assert of(findings, "Wren").p_value < 1e-20
    assert of(findings, "Wren").statistic == 40  # two in three of sixty repeat the one before
    assert of(findings, "Wren").examples == ("Wren-001", "Wren-002", "Wren-004")
    assert of(findings, "Alder").p_value > 0.5


def test_a_shop_whose_entries_are_all_alike_copies_nothing() -> None:
    same = technique(3, 1) * 60
    findings = copy_findings(ready(entries("Wren", same), entries("Alder", same)).bleeds, FIELDS)
    assert all(one.p_value > 0.2 for one in findings)


def test_one_blank_between_two_entries_does_not_make_them_differ() -> None:
    rows = [row | {"lever_port_nm": None if n % 2 else 1.5} for n, row in enumerate(technique(4, 1) * 40)]
    findings = copy_findings(ready(entries("Wren", rows), entries("Alder", technique(5))).bleeds, FIELDS)
    assert of(findings, "Wren").statistic == 39


def test_bleeds_begun_before_the_last_one_ended_are_impossible() -> None:
    difference = [
        {"started_at": FIRST + dt.timedelta(days=n // 4, minutes=20 * (n % 4)), "minutes": 45.0} for n in range(40)
    ]
    honest = [
        {"started_at": FIRST + dt.timedelta(days=n // 4, minutes=50 * (n % 4)), "minutes": 45.0} for n in range(40)
    ]
    findings = duration_findings(ready(entries("Wren", difference), entries("Alder", honest)).bleeds)
    assert (of(findings, "Wren").statistic, of(findings, "Alder").statistic) == (30, 0)
    assert of(findings, "Wren").p_value < 1e-10


def test_days_without_an_hour_are_no_overlap() -> None:
    rows = [{"started_at": f"2026-01-{1 + n // 4:02}", "minutes": 45.0} for n in range(40)]
    findings = duration_findings(ready(entries("Wren", rows), entries("Alder", rows)).bleeds)
    assert of(findings, "Wren").statistic == 0


def test_a_bleed_shorter_than_its_own_settling_is_impossible() -> None:
    rows = [{"minutes": 10.0, "settle_minutes": 30.0 if n < 8 else 2.0} for n in range(40)]
    findings = duration_findings(ready(entries("Wren", rows), entries("Alder", [{"minutes": 30.0}] * 40)).bleeds)
    assert of(findings, "Wren").statistic == 8


def test_a_reading_never_varied_where_peers_write_many_is_found() -> None:
    others = (entries(p, travels(i)) for i, p in enumerate(PEOPLE))
    same = entries("Wren", [{"lever_travel_after_mm": 22.0}] * 40)
    findings = constant_findings(recorded_values(ready(same, *others).bleeds, TRAVEL))
    assert of(findings, "Wren").p_value < 1e-20
    assert of(findings, "Alder").p_value == 1.0


def test_a_reading_that_nobody_varies_is_held_against_nobody() -> None:
    rows = [{"cycles": 2}] * 40
    assert (
        constant_findings(recorded_values(ready(entries("Wren", rows), entries("Alder", rows)).bleeds, ("cycles",)))
        == []
    )


def test_under_thirty_entries_nobody_is_judged() -> None:
    few = [entries(p, technique(i, 29)) for i, p in enumerate(PEOPLE)]
    assert credibility(ready(*few)).is_empty()


@pytest.fixture(scope="module")
def matches() -> pl.DataFrame:
    own = technique(1)
    copied = [own[n - n % 3] for n in range(len(own))]
    return credibility(ready(entries("Wren", copied), *(entries(p, technique(i + 2)) for i, p in enumerate(PEOPLE))))


def test_false_discoveries_are_held_over_all_tests_together(matches: pl.DataFrame) -> None:
    q = stats.false_discovery_control(matches.get_column("p_value").to_numpy())
    assert matches.get_column("q_value").to_numpy() == pytest.approx(q)


def test_a_flag_names_bleeds_to_look_at_and_no_flag_names_none(matches: pl.DataFrame) -> None:
    flagged = matches.filter("flag")
    assert flagged.select("technician", "test").rows() == [("Wren", "copied_entries")]
    assert flagged.get_column("example_sessions").to_list() == ["Wren-001 Wren-002 Wren-004"]
    assert matches.filter(~pl.col("flag")).get_column("example_sessions").count() == 0


def test_an_empty_log_has_nothing_to_doubt() -> None:
    assert credibility(ready()).is_empty()
