"""A workshop that stops a step is dated to the month it did; a workshop where nothing changes shows nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.stats import f, hypergeom

from analysis.monitoring import early_signs
from analysis.monitoring.early_signs import _likeliest_change, locate_last_month_before_change
from analysis.stats import holm
from synthetic import CO_OPERATIVE, simulate
from tests.simulated_logs import prepared_of


def monthly(shares: list[float], n: int, seed: int) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    months = [f"2025-{at:02d}" for at in range(1, len(shares) + 1)]
    rows = [(month, bool(x)) for month, share in zip(months, shares, strict=True) for x in rng.random(n) < share]
    return pl.DataFrame(rows, schema=["month", "missed:purge"], orient="row")


def test_the_month_of_a_step_is_found_with_its_counts() -> None:
    change = _likeliest_change(monthly([0.1] * 6 + [0.6] * 6, 40, 1), "Tarnholt", "missed:purge")
    assert change is not None
    assert (change["month"], change["worse"], change["before_of"], change["since_of"]) == ("2025-07", True, 240, 240)
    assert float(str(change["p_value"])) < 1e-6


def test_the_p_value_is_fishers_of_a_two_by_two_table() -> None:
    """Against scipy's hypergeometric; 20 of 100 before, 60 of 200 since, no spread within the periods, 5 months tried."""
    rows = [(f"2025-0{month}", at < share) for month, share in ((1, 5), (2, 5), (3, 5), (4, 5)) for at in range(25)]
    rows += [
        (f"2025-0{month}", at < share) for month, share in ((5, 15), (6, 15), (7, 15), (8, 15)) for at in range(50)
    ]
    change = _likeliest_change(pl.DataFrame(rows, schema=["month", "missed:x"], orient="row"), "T", "missed:x")
    assert change is not None
    assert (change["before"], change["before_of"], change["since"], change["since_of"]) == (20, 100, 60, 200)
    table = hypergeom(300, 80, 100)
    mid_p = 2 * (table.cdf(19) + table.pmf(20) / 2)
    assert change["p_value"] == pytest.approx(min(mid_p * 5, 1.0))


def test_months_that_differ_by_themselves_are_judged_by_the_f_distribution() -> None:
    """Shares of 50 scatter about 0.2, then about 0.5: scipy's F(1, months - 2) of chi-square over dispersion."""
    k, n = np.array([4, 16, 5, 15, 32, 18, 33, 17.0]), np.full(8, 50.0)
    at, p_value = locate_last_month_before_change(k, n) or (0, 0.0)
    chi_square = 200 * (0.5 - 0.2) ** 2 / (2 * 0.35 * 0.65)
    within = sum(((k[part] - 50 * share) ** 2).sum() / (50 * share * (1 - share)) for part, share in HALVES)
    assert (at, p_value) == (3, pytest.approx(5 * f.sf(chi_square / (within / 6), 1, 6)))


HALVES = ((slice(None, 4), 0.2), (slice(4, None), 0.5))


def chance_of_any_sign(n: int, share: float, last: int, seeds: int, dispersion: float = 1.0) -> int:
    """Logs of 60 series by 24 months without a change, of `seeds`, that show any sign; `last` bleeds in the last month."""
    size = np.full(24, n)
    size[-1] = last
    beta = np.array([share, 1 - share]) * ((n - 1) / (dispersion - 1) - 1 if dispersion > 1 else 1e9)
    logs = 0
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        counts = rng.binomial(size, rng.beta(*beta, (60, 24))).astype(float)
        changes = [
            change for k in counts if k.any() and (change := locate_last_month_before_change(k, size.astype(float)))
        ]
        logs += bool((holm([p_value for _, p_value in changes]) <= 0.05).any())
    return logs


@pytest.mark.parametrize(("n", "share", "last"), [(60, 0.02, 60), (20, 0.02, 20), (60, 0.01, 60), (60, 0.02, 3)])
def test_rare_signs_without_a_change_err_one_time_in_twenty(n: int, share: float, last: int) -> None:
    """At most 8 of 80 logs (nominal 4; P(more than 8) = 2%, binomial); a normal tail at every month gives 11 to 45."""
    assert chance_of_any_sign(n, share, last, 80) <= 8


def test_a_short_or_constant_series_shows_nothing() -> None:
    assert _likeliest_change(monthly([0.2] * 4, 40, 2), "T", "missed:purge") is None
    assert _likeliest_change(monthly([0.0] * 12, 40, 2), "T", "missed:purge") is None


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
