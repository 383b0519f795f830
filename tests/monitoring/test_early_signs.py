"""A workshop that stops a step is dated to the month it did; a workshop where nothing changes shows nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm

from analysis.monitoring import early_signs
from analysis.monitoring.early_signs import _largest_change
from synthetic import CO_OPERATIVE, simulate
from tests.simulated_logs import prepared_of


def monthly(shares: list[float], n: int, seed: int) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    months = [f"2025-{at:02d}" for at in range(1, len(shares) + 1)]
    rows = [(month, bool(x)) for month, share in zip(months, shares, strict=True) for x in rng.random(n) < share]
    return pl.DataFrame(rows, schema=["month", "missed:purge"], orient="row")


def test_the_month_of_a_step_is_found_with_its_counts() -> None:
    change = _largest_change(monthly([0.1] * 6 + [0.6] * 6, 40, 1), "Tarnholt", "missed:purge")
    assert change is not None
    assert (change["month"], change["worse"], change["before_of"], change["since_of"]) == ("2025-07", True, 240, 240)
    assert float(str(change["p_value"])) < 1e-6


def test_the_chi_square_is_that_of_a_two_by_two_table() -> None:
    """Against scipy's normal tail; 20 of 100 before, 60 of 200 since, no spread within the periods, 7 months tried."""
    rows = [(f"2025-0{month}", at < share) for month, share in ((1, 5), (2, 5), (3, 5), (4, 5)) for at in range(25)]
    rows += [
        (f"2025-0{month}", at < share) for month, share in ((5, 15), (6, 15), (7, 15), (8, 15)) for at in range(50)
    ]
    change = _largest_change(pl.DataFrame(rows, schema=["month", "missed:x"], orient="row"), "T", "missed:x")
    assert change is not None
    assert (change["before"], change["before_of"], change["since"], change["since_of"]) == (20, 100, 60, 200)
    pooled = 80 / 300
    z = (0.3 - 0.2) / np.sqrt(pooled * (1 - pooled) * (1 / 100 + 1 / 200))

    assert change["p_value"] == pytest.approx(min(2 * norm.sf(z) * 7, 1.0))


def test_a_short_or_constant_series_shows_nothing() -> None:
    assert _largest_change(monthly([0.2] * 4, 40, 2), "T", "missed:purge") is None
    assert _largest_change(monthly([0.0] * 12, 40, 2), "T", "missed:purge") is None


@pytest.mark.truth
def test_nothing_moves_where_nothing_changed_and_the_planted_change_is_dated_to_its_month() -> None:
    """20 workshops without a change: at most 3 show a sign (5% nominal; P(more than 3 of 20) = 1.6%, binomial)."""
    quiet = replace(CO_OPERATIVE, sessions=2000, changes=(), lessons=())
    assert sum(early_signs(prepared_of(simulate(quiet, seed))).height > 0 for seed in range(300, 320)) <= 3
    for seed in range(300, 310):
        signs = early_signs(prepared_of(simulate(replace(CO_OPERATIVE, sessions=2000), seed)))
        purge = signs.filter(pl.col("shop") == "Velmoor", pl.col("subject") == "purge").get_column("month").to_list()
        assert purge
        assert "2025-06" <= purge[0] <= "2025-08"  # began in July 2025, the 19th month
