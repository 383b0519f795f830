"""Gaps in the recording of returns, by shop: too long to be chance, they raise a question and narrow the window."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from analysis.dataset import bleed_data
from analysis.standard import built_in
from analysis.survival import ObservationWindow, RecordingSpan
from tests.build import bleed, comeback, log_of

FIRST, AS_OF = dt.date(2024, 1, 1), dt.date(2026, 6, 30)


def shops(stops=None, late=None, as_of=AS_OF, seed=1, each=900, rate=0.08, names=("East", "North", "South")):
    """Three similar shops; South records no return after `stops`, or before `late`."""
    rng = np.random.default_rng(seed)
    bleeds, back = [], []
    for shop in names:
        for k in range(each):
            day = FIRST + dt.timedelta(days=int(rng.integers(0, 912)))
            bleeds.append(bleed(f"{shop}{k:04}", str(day), bike_id=f"{shop}{k}", shop=shop))
            returned = day + dt.timedelta(days=int(rng.exponential(25)))
            unseen = shop == "South" and ((stops and returned > stops) or (late and returned < late))
            if rng.random() < rate and returned <= AS_OF and not unseen:
                back.append(comeback(f"C{shop}{k}", str(returned), bike_id=f"{shop}{k}", session_id=f"{shop}{k:04}"))
    return log_of(bleeds, back, as_of=as_of)


def build(log, window=None):
    return bleed_data(log, built_in(), 90, window or ObservationWindow())


def bleeds_of_south(data):
    return data.bleeds.filter(shop="South").with_columns(day=pl.col("started_at").dt.date())


def test_a_complete_log_raises_no_question():
    data = build(shops())
    assert data.questions == ()
    assert data.in_question == frozenset()


def test_a_shop_that_stops_recording_raises_a_question_and_its_later_bleeds_are_not_successes():
    stopped = dt.date(2025, 4, 1)
    data = build(shops(stops=stopped))
    assert data.in_question == {"South"}
    (question,) = data.questions
    assert question.startswith("South: no return is recorded after 2025-0")
    south = bleeds_of_south(data)
    assert not south.filter(pl.col("day") > stopped)["mature"].any()
    assert south.filter(pl.col("day") < stopped - dt.timedelta(days=200))["mature"].all()
    others = data.bleeds.filter(pl.col("shop") != "South", pl.col("started_at") < dt.datetime(2026, 3, 1))
    assert others["mature"].all()


def test_a_shop_that_starts_recording_late_raises_a_question():
    started = dt.date(2025, 4, 1)
    data = build(shops(late=started))
    assert data.in_question == {"South"}
    south = bleeds_of_south(data)
    assert not south.filter(pl.col("day") < started)["mature"].any()
    assert south.filter(pl.col("day") < started)["observed_days"].max() == 0


@pytest.mark.parametrize("answer", ["2025-03-31", "2026-06-30"])
def test_either_answer_ends_the_question(answer):
    day = dt.date.fromisoformat(answer)
    data = build(shops(stops=dt.date(2025, 4, 1)), ObservationWindow(shops={"South": RecordingSpan(returns_to=day)}))
    assert data.questions == ()
    late = bleeds_of_south(data).filter(pl.col("day") == dt.date(2025, 6, 2))
    assert late["mature"].all() == (day > dt.date(2026, 1, 1))


def test_an_as_of_date_long_after_the_last_entry_lowers_no_rate():
    log = shops()
    data, longer = build(log), build(shops(as_of=AS_OF + dt.timedelta(days=120)))
    (question,) = longer.questions
    assert question.startswith("All workshops: no return is recorded after 2026-06-")
    assert longer.in_question == frozenset()
    assert longer.bleeds["mature"].sum() <= data.bleeds["mature"].sum()


def test_a_log_with_one_shop_raises_one_question():
    log = shops(stops=dt.date(2025, 4, 1), names=("South",))
    data = build(log)
    assert data.questions[0].startswith("All workshops: no return is recorded after 2025-0")
    assert "--returns-to 2025-0" in data.questions[0]


def test_returns_entered_together_raise_no_question():
    bleeds = [bleed(f"S{i:02d}", "2026-01-05", bike_id=f"b{i}") for i in range(50)]
    back = [comeback(f"C{i}", "2026-05-05", bike_id=f"b{i}", session_id=f"S{i:02d}") for i in range(45)]
    assert build(log_of(bleeds, back)).questions == ()


def test_few_returns_raise_no_question():
    assert build(shops(stops=dt.date(2025, 4, 1), each=40)).questions == ()


def test_maturity_is_decided_by_the_days_observed():
    data = build(shops(stops=dt.date(2025, 4, 1))).bleeds
    assert data.select((pl.col("observed_days") >= 90) == pl.col("mature")).to_series().all()
    assert not data.select((pl.col("age_days") >= 90) == pl.col("mature")).to_series().all()
