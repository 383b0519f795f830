"""The bleeds that cards are about, and steps that somebody has come to miss less often."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from analysis.dataset import bleed_data
from analysis.pages.trainer_cards import coaching_cards
from analysis.people import technique_table
from analysis.people.recent_bleeds import best_split, recent_bleeds, split_p_value
from analysis.standard import built_in
from schemas import empty
from schemas.outputs import Steps
from tests.build import bleed, log_of
from tests.shops import report

LAST = dt.datetime(2026, 6, 29, 9)


def back(who: str, count: int, every: float, purged: list[bool]) -> list[dict[str, Any]]:
    """Bleeds back from the last day, `every` days apart; `purged` in order of time."""
    days = [LAST - dt.timedelta(days=every * (count - 1 - n)) for n in range(count)]
    return [
        bleed(f"{who}-{n:03}", day.isoformat(), bike_id=f"{who}{n}") | {"technician": who, "kit_purged": done}
        for n, (day, done) in enumerate(zip(days, purged, strict=True))
    ]


def even(missed: int, of: int) -> list[bool]:
    return [37 * n % of >= missed for n in range(of)]


def data_of(*parts: list[dict[str, Any]]):
    return bleed_data(log_of([row for part in parts for row in part], []), built_in(), 90)


def test_a_slow_technician_counts_for_a_year_and_a_busy_one_for_150_bleeds() -> None:
    recent = recent_bleeds(data_of(back("Wren", 100, 7, even(30, 100)), back("Alder", 300, 1, even(90, 300))))
    assert recent.missed.get_column("purge").count() == 53 + 150
    assert recent.first_day["Alder"] == dt.date(2026, 6, 29) - dt.timedelta(days=149)


def test_the_best_split_is_that_of_the_likelihood_ratio_test() -> None:
    """2 × the log likelihood ratio is scipy's G test of the table before and after."""
    column = np.array([1.0] * 30 + [0.0] * 40)
    split = best_split(column)
    assert split is not None
    place, statistic, share, recorded = split
    assert (place, share, recorded) == (30, 1.0, 30)
    mixed = np.concatenate([np.resize([1.0, 1.0, 0.0], 30), np.resize([0.0, 0.0, 0.0, 1.0], 40)])
    place, statistic, _, _ = best_split(mixed) or (0, 0.0, 0.0, 0)
    before, after = mixed[:place], mixed[place:]
    counts = [[part.sum(), len(part) - part.sum()] for part in (before, after)]
    theirs = stats.chi2_contingency(counts, correction=False, lambda_="log-likelihood").statistic
    assert statistic == pytest.approx(theirs)


@pytest.mark.parametrize("column", [[0.0] * 30 + [1.0] * 30, [1.0] * 9 + [0.0] * 9, [1.0] * 50])
def test_no_fall_or_too_few_is_no_improvement(column: list[float]) -> None:
    assert best_split(np.array(column)) is None


def test_steady_habits_are_hardly_ever_called_improved() -> None:
    """6 technicians × 120 bleeds at 30% missed, 60 logs: any named in at most 1 of 20 logs, by its 95% interval."""
    rng, false_alarms = np.random.default_rng(3), 0
    for _ in range(60):
        parts = [back(f"T{n}", 120, 3, (rng.random(120) > 0.3).tolist()) for n in range(6)]
        false_alarms += bool(recent_bleeds(data_of(*parts)).improvements.height)
    assert stats.binomtest(false_alarms, 60).proportion_ci().low <= 0.05


@pytest.mark.parametrize(
    ("bleeds", "a_day", "alike", "months"),
    [(60, 1, 0.0, 2), (300, 4, 0.1, 12)],
    ids=["two months", "alike within a day"],
)
def test_few_months_and_days_alike_are_hardly_ever_an_improvement(bleeds, a_day, alike, months) -> None:
    """400 technicians who miss a fifth throughout; a split is clear in 1 of 20 at most, by its 95% interval."""
    rng, day, clear = np.random.default_rng(15), np.arange(bleeds) // a_day, 0
    for _ in range(400):
        share = rng.beta(0.2 * (1 / alike - 1), 0.8 * (1 / alike - 1), bleeds) if alike else np.full(bleeds, 0.2)
        column = (rng.random(bleeds) < share[day]).astype(float)
        split = best_split(column)
        clear += split is not None and split_p_value(column, split[:2], day, months) <= 0.05
    assert stats.binomtest(clear, 400).proportion_ci().low <= 0.05


IMPROVED = back("Wren", 150, 2, [*even(60, 75), *even(6, 75)])
PEERS = [back(who, 150, 2, even(15, 150)) for who in ("Alder", "Flint", "Dace")]


def test_an_improved_step_counts_from_then_on() -> None:
    row = (
        technique_table(data_of(IMPROVED, *PEERS), empty(Steps))
        .filter(technician="Wren", step="purge")
        .row(0, named=True)
    )
    assert row["since"] == row["improved_since"]
    assert abs((row["improved_since"] - dt.date(2026, 1, 31)).days) < 25
    assert (row["recorded"], row["clear"]) == (pytest.approx(75, abs=12), False)
    assert row["share_before"] > 0.7


def test_the_card_says_since_when_and_gives_recent_jobs() -> None:
    technique = technique_table(data_of(IMPROVED, *PEERS), empty(Steps))
    cards = {card.name: card for card in coaching_cards(replace(report(), technique=technique))}
    assert "Improved: “Kit not purged” in " in cards["Wren"].note
    assert not cards["Wren"].lines
