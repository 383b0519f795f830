"""Silences of the returns, shop by shop: asked about when they are too long to be chance, and the window closed there."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from analysis.dataset import bleed_data
from analysis.standard import built_in
from analysis.survival import ObservationWindow, Span
from tests.build import bleed, comeback, log_of

FIRST, AS_OF = dt.date(2024, 1, 1), dt.date(2026, 6, 30)


def shops(unwritten=None, late=None, as_of=AS_OF, seed=1, each=900, rate=0.08, names=("East", "North", "South")):
    """Three shops alike; `unwritten` is the day after which South records no return, `late` the day before which."""
    rng = np.random.default_rng(seed)
    bleeds, back = [], []
    for shop in names:
        for k in range(each):
            day = FIRST + dt.timedelta(days=int(rng.integers(0, 912)))
            bleeds.append(bleed(f"{shop}{k:04}", str(day), bike_id=f"{shop}{k}", shop=shop))
            returned = day + dt.timedelta(days=int(rng.exponential(25)))
            unseen = shop == "South" and ((unwritten and returned > unwritten) or (late and returned < late))
            if rng.random() < rate and returned <= AS_OF and not unseen:
                back.append(comeback(f"C{shop}{k}", str(returned), bike_id=f"{shop}{k}", session_id=f"{shop}{k:04}"))
    return log_of(bleeds, back, as_of=as_of)


def ready(log, covered=None):
    return bleed_data(log, built_in(), 90, covered or ObservationWindow())


def of_south(found):
    return found.bleeds.filter(shop="South").with_columns(day=pl.col("started_at").dt.date())


def test_nothing_is_asked_where_all_was_recorded():
    found = ready(shops())
    assert found.questions == ()
    assert found.in_question == frozenset()


def test_a_shop_that_stops_is_asked_about_and_its_later_bleeds_are_no_successes():
    stopped = dt.date(2025, 4, 1)
    found = ready(shops(unwritten=stopped))
    assert found.in_question == {"South"}
    (question,) = found.questions
    assert question.startswith("South: no return is recorded after 2025-0")
    south = of_south(found)
    assert not south.filter(pl.col("day") > stopped)["mature"].any()
    assert south.filter(pl.col("day") < stopped - dt.timedelta(days=200))["mature"].all()
    others = found.bleeds.filter(pl.col("shop") != "South", pl.col("started_at") < dt.datetime(2026, 3, 1))
    assert others["mature"].all()


def test_a_shop_that_starts_late_is_asked_about():
    begun = dt.date(2025, 4, 1)
    found = ready(shops(late=begun))
    assert found.in_question == {"South"}
    south = of_south(found)
    assert not south.filter(pl.col("day") < begun)["mature"].any()
    assert south.filter(pl.col("day") < begun)["observed_days"].max() == 0


@pytest.mark.parametrize("answer", ["2025-03-31", "2026-06-30"])
def test_an_answer_ends_the_question_either_way(answer):
    day = dt.date.fromisoformat(answer)
    found = ready(shops(unwritten=dt.date(2025, 4, 1)), ObservationWindow(shops={"South": Span(returns_to=day)}))
    assert found.questions == ()
    late = of_south(found).filter(pl.col("day") == dt.date(2025, 6, 2))
    assert late["mature"].all() == (day > dt.date(2026, 1, 1))


def test_an_as_of_long_after_the_last_entry_lowers_no_rate():
    log = shops()
    found, longer = ready(log), ready(shops(as_of=AS_OF + dt.timedelta(days=120)))
    (question,) = longer.questions
    assert question.startswith("All workshops: no return is recorded after 2026-06-")
    assert longer.in_question == frozenset()
    assert longer.bleeds["mature"].sum() <= found.bleeds["mature"].sum()


def test_a_log_without_shops_is_asked_about_as_a_whole():
    log = shops(unwritten=dt.date(2025, 4, 1), names=("South",))
    found = ready(log)
    assert found.questions[0].startswith("All workshops: no return is recorded after 2025-0")
    assert "--returns-to 2025-0" in found.questions[0]


def test_returns_entered_in_one_go_ask_nothing():
    bleeds = [bleed(f"S{i:02d}", "2026-01-05", bike_id=f"b{i}") for i in range(50)]
    back = [comeback(f"C{i}", "2026-05-05", bike_id=f"b{i}", session_id=f"S{i:02d}") for i in range(45)]
    assert ready(log_of(bleeds, back)).questions == ()


def test_few_returns_ask_nothing():
    assert ready(shops(unwritten=dt.date(2025, 4, 1), each=40)).questions == ()


def test_days_observed_are_what_makes_a_bleed_mature():
    found = ready(shops(unwritten=dt.date(2025, 4, 1))).bleeds
    assert found.select((pl.col("observed_days") >= 90) == pl.col("mature")).to_series().all()
    assert not found.select((pl.col("age_days") >= 90) == pl.col("mature")).to_series().all()
