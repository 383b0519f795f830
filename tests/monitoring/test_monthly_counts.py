"""Raw months: every month from the first to the last, all bleeds and each shop."""

import polars as pl

from analysis.dataset import bleed_data
from analysis.monitoring import monthly_counts
from analysis.standard import built_in
from tests.build import bleed, comeback, log_of


def months(sessions, comebacks=()):
    return monthly_counts(bleed_data(log_of(list(sessions), list(comebacks)), built_in(), 90))


def test_a_month_without_bleeds_has_a_row_of_zeros():
    table = months([bleed("S1", "2025-12-31T23:30"), bleed("S2", "2026-03-01", bike_id="b")])
    assert table.select("month", "sessions").rows() == [("2025-12", 1), ("2026-01", 0), ("2026-02", 0), ("2026-03", 1)]


def test_each_shop_has_every_month_after_all():
    table = months([bleed("S1", "2026-01-31", shop="Alder"), bleed("S2", "2026-02-28", shop=None, bike_id="b")])
    assert table.select("kind", "group", "month", "sessions").rows() == [
        ("all", "all", "2026-01", 1),
        ("all", "all", "2026-02", 1),
        ("shop", "Alder", "2026-01", 1),
        ("shop", "Alder", "2026-02", 0),
        ("shop", "not recorded", "2026-01", 0),
        ("shop", "not recorded", "2026-02", 1),
    ]


def test_only_mature_bleeds_count_in_the_rate():
    old = [bleed("S1", "2026-02-01", bike_id="a"), bleed("S2", "2026-02-02", bike_id="b")]
    young = [bleed("S3", "2026-06-01", bike_id="c")]
    back = [
        comeback("C1", "2026-02-05", bike_id="a", session_id="S1"),
        comeback("C2", "2026-06-05", bike_id="c", session_id="S3"),
    ]
    table = months(old + young, back).filter(pl.col("sessions") > 0)
    assert table.select("month", "mature", "comebacks", "rate").rows() == [
        ("2026-02", 2, 1, 0.5),
        ("2026-06", 0, 0, None),
    ]


def test_a_log_without_bleeds_has_no_months():
    assert months([]).is_empty()
