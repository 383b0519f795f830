"""Whether returns were recorded over the same time as bleeds, and how bleeds outside it count."""

import datetime as dt

import polars as pl
import pytest

from analysis.standard import built_in
from analysis.survival import ObservationWindow, add_follow_up, incidence, recording_notes
from tests.build import bleed, comeback, log_of


def log_from(returned, bled=("2025-01-01", "2025-12-31")):
    return log_of(
        [bleed(f"S{i}", day) for i, day in enumerate(bled)], [comeback(f"C{i}", d) for i, d in enumerate(returned)]
    )


@pytest.mark.parametrize(
    ("returned", "late", "early"),
    [
        (("2025-02-01", "2025-11-30"), False, False),  # 31 days are a month
        (("2025-02-02", "2025-11-30"), True, False),
        (("2025-02-01", "2025-11-29"), False, True),
        (("2025-06-01",), True, True),
        (("2024-12-01", "2026-02-01"), False, False),
        ((), False, False),
    ],
)
def test_returns_that_start_late_or_stop_early_by_more_than_a_month_raise_a_note(returned, late, early):
    notes = recording_notes(log_from(returned))
    assert any("--returns-from" in note for note in notes) == late
    assert any("--returns-to" in note for note in notes) == early


def test_the_note_names_the_day_and_the_option():
    late, early = recording_notes(log_from(("2025-06-01",)))
    assert "--returns-from 2025-06-01" in late
    assert "--returns-to 2025-06-01" in early


def test_a_window_that_is_set_raises_no_note():
    window = ObservationWindow(dt.date(2025, 6, 1), dt.date(2025, 6, 1))
    assert recording_notes(log_from(("2025-06-01",)), window) == ()


def test_a_log_without_bleeds_raises_no_note():
    assert recording_notes(log_of([])) == ()


def test_a_bleed_outside_the_window_was_never_at_risk():
    bleeds = [bleed(f"S{i}", day, bike_id=f"b{i}") for i, day in enumerate(["2025-01-01"] * 8 + ["2026-01-01"] * 2)]
    log = log_of(bleeds, [comeback("C1", "2026-01-01", bike_id="b8", session_id="S8")])
    table = incidence(add_follow_up(log, built_in(), 90, ObservationWindow(returns_from=dt.date(2025, 12, 1))))
    assert table.filter(pl.col("day") == 0).select("at_risk", "incidence").row(0) == (2, 0.5)


def test_a_bleed_on_the_last_day_was_at_risk_that_day():
    bleeds = [bleed("S1", "2026-06-30", bike_id="a"), bleed("S2", "2026-06-30", bike_id="b")]
    log = log_of(bleeds, [comeback("C1", "2026-06-30", bike_id="a", session_id="S1")])
    assert incidence(add_follow_up(log, built_in(), 90)).row(0)[:3] == (0, 2, 0.5)


def test_a_bleed_on_the_first_day_of_the_window_is_inside():
    table = add_follow_up(
        log_of([bleed("S1", "2026-01-01")]), built_in(), 90, ObservationWindow(returns_from=dt.date(2026, 1, 1))
    )
    assert table.select("mature", "days_at_risk").row(0) == (True, 180)
