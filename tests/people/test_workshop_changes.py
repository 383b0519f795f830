"""What a change in a workshop changed: before and after, against other workshops, the quarter before left out."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.audit import run_audit
from analysis.dataset import bleed_data
from analysis.monitoring import mark_measures
from analysis.pages.lead_measures import measure_question
from analysis.people import measure_effects
from analysis.people.before_after import CHOICE_DAYS, DAYS_EITHER_SIDE
from analysis.standard import built_in
from tests.build import log_of, table
from tests.shops import report

DAY = dt.date(2025, 12, 15)
CHANGE = {"shop": "Velmoor", "began_on": DAY, "what": "new kit stand", "step": "purge"}


def surrounding(shop: str, before: tuple[int, int], after: tuple[int, int], earlier: int = 600) -> list[dict[str, Any]]:
    """Bleeds on both sides of the day, missed of all, one a day; the side before ends a quarter earlier.

    `earlier` more days come before, of which as many are missed, that show how much the workshop changes by itself.
    """
    rows = []
    for sign, (missed, of) in ((-1, before), (1, after)):
        first = 1 if sign > 0 else CHOICE_DAYS + 1
        gap = CHOICE_DAYS + DAYS_EITHER_SIDE
        for n in [*range(of), *(range(gap, gap + earlier) if sign < 0 else ())]:
            day = DAY + dt.timedelta(days=sign * (n + first))
            rows.append(
                {
                    "session_id": f"{shop}{sign}-{n}", "bike_id": f"{shop}{sign}-{n}", "brake": "front", "technician": shop,
                    "shop": shop, "started_at": dt.datetime.combine(day, dt.time(9)), "kit_purged": n % of >= missed,
                }
            )  # fmt: skip
    return rows


OTHERS = [surrounding("Tarnholt", (40, 150), (40, 150)), surrounding("Quay Street", (30, 150), (30, 150))]


def row_of(*parts: list[dict[str, Any]], measures: list[dict[str, Any]] | None = None) -> dict[str, Any]:
    data = bleed_data(log_of([row for part in parts for row in part], []), built_in(), 90)
    effects = measure_effects(data, table("measures", measures or [CHANGE]))
    return effects.filter(outcome="missed").row(0, named=True)


def test_the_change_is_the_workshops_own_less_the_others() -> None:
    """From 90 of 150 to 45 of 150 while the others stay: minus 30 points, and it is clear."""
    row = row_of(surrounding("Velmoor", (90, 150), (45, 150)), *OTHERS)
    assert (row["before"], row["after"], row["others_change"]) == (0.6, 0.3, 0.0)
    assert row["change"] == pytest.approx(-0.3)
    assert row["hi"] < 0
    assert row["clear"]


def test_a_fall_that_other_workshops_had_too_is_none() -> None:
    fallen = [surrounding("Tarnholt", (80, 150), (40, 150)), surrounding("Quay Street", (90, 150), (45, 150))]
    row = row_of(surrounding("Velmoor", (90, 150), (45, 150)), *fallen)
    assert row["lo"] < 0 < row["hi"]


def test_one_workshop_alone_is_before_and_after_only_and_never_clear() -> None:
    row = row_of(surrounding("Velmoor", (90, 150), (45, 150)))
    assert (row["comparison"], row["clear"], row["p_value"]) == ("before_after", None, None)
    assert row["change"] == pytest.approx(-0.3)


def test_without_days_that_show_how_workshops_vary_nothing_is_clear() -> None:
    """20 short logs of three workshops whose habits wander (SD of the log odds 0.7): by the counts alone, 14 would be clear."""
    clear = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        odds = np.exp(rng.normal(0, 0.7, (3, 2)))
        missed = rng.binomial(150, odds / (1 + odds))
        shops = ("Velmoor", "Tarnholt", "Quay Street")
        parts = [surrounding(shop, (int(b), 150), (int(a), 150), 0) for shop, (b, a) in zip(shops, missed, strict=True)]
        row = row_of(*parts)
        assert (row["comparison"], row["p_value"]) == ("too_few_days", None)
        clear += bool(row["clear"])
    assert clear == 0


def test_a_change_in_all_workshops_is_before_and_after_only() -> None:
    row = row_of(surrounding("Velmoor", (90, 150), (45, 150)), *OTHERS, measures=[CHANGE | {"shop": None}])
    assert (row["comparison"], row["bleeds_before"]) == ("before_after", 450)


def test_a_workshop_with_the_same_change_is_not_compared_with() -> None:
    both = [CHANGE, CHANGE | {"shop": "Tarnholt"}]
    row = row_of(surrounding("Velmoor", (90, 150), (45, 150)), *OTHERS, measures=both)
    assert row["others_change"] == 0.0
    only = row_of(surrounding("Velmoor", (90, 150), (45, 150)), OTHERS[0], measures=both)
    assert only["comparison"] == "before_after"


def test_too_few_bleeds_say_nothing() -> None:
    row = row_of(surrounding("Velmoor", (5, 9), (5, 150)), *OTHERS)
    assert (row["comparison"], row["change"]) == ("too_few", None)


def test_comebacks_need_ten_on_both_sides_together() -> None:
    data = bleed_data(log_of(surrounding("Velmoor", (90, 150), (45, 150)), []), built_in(), 90)
    effects = measure_effects(data, table("measures", [CHANGE]))
    assert effects.filter(outcome="comebacks").get_column("comparison").to_list() == ["too_few"]


def test_the_months_are_marked_for_the_workshop_and_for_all() -> None:
    months = report().months
    first = months.get_column("month")[0]
    day = dt.date(int(first[:4]), int(first[5:]), 9)
    shop = months.filter(kind="shop").get_column("group")[0]
    rows = mark_measures(months, table("measures", [CHANGE | {"shop": shop, "began_on": day}]))
    assert rows.filter(pl.col("measure").is_not_null()).select("kind", "group", "month").rows() == [
        ("all", "all", first), ("shop", shop, first),
    ]  # fmt: skip


def test_the_page_says_what_happened() -> None:
    log = log_of([*surrounding("Velmoor", (90, 150), (45, 150)), *OTHERS[0], *OTHERS[1]], [], measures=[CHANGE])
    effects = run_audit(log, built_in()).measure_effects
    question = measure_question(replace(report(), measure_effects=effects))
    assert question.answer.text == "The change was followed by a clear improvement."
    assert "60.0% of 150 bleeds before, 30.0% of 150 after" in question.points[0]
