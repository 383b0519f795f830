"""A large log's figures say from how many bleeds they come."""

from types import SimpleNamespace

import polars as pl
import pytest

from analysis.steps import samples_told


def log_of(bleeds, mature):
    return SimpleNamespace(bleeds=pl.DataFrame({"mature": [True] * mature + [False] * (bleeds - mature)}))


@pytest.mark.parametrize(
    ("bleeds", "mature", "named"),
    [
        (50_000, 50_000, []),
        (50_001, 50_001, ["50,000"]),
        (200_500, 200_000, ["50,000", "100,000"]),
        (200_500, 200_400, ["50,000", "100,000", "200,000"]),
    ],
)
def test_only_what_was_drawn_by_lot_is_named(bleeds, mature, named):
    told = " ".join(samples_told(log_of(bleeds, mature)))
    assert [most for most in ("50,000", "100,000", "200,000") if f"from {most}" in told] == named
    assert (f"{bleeds:,} bleeds" in told) == bool(named)
