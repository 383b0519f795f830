"""The months table: limits, risk-adjusted CUSUM, change point, and the step that changed with it."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from analysis.monitoring import change_point, changed_step, cusum, log_likelihood_ratios, monthly_rates
from analysis.monitoring.control_charts import control_charts
from analysis.monitoring.null_model import MonthlySeries, fit_null_model
from analysis.rates import expected_risk
from tests.rates.bare import AS_OF, bare

MONTHS = 24
AGE = np.array([(AS_OF - (dt.date(2024, 1, 1) + dt.timedelta(days=d))).days for d in range(730)])


def simulated(seed=1, per_month=130, rate=0.10, factor=1.0, begins=13, missed=None, **columns):
    """Two years to the end of 2025, all followed by mid 2026; the hazard changes by `factor` in month `begins`."""
    rng = np.random.default_rng(seed)
    n = per_month * MONTHS
    month = np.repeat(np.arange(1, MONTHS + 1), per_month)
    day = np.array([(dt.date(2024 + (m - 1) // 12, (m - 1) % 12 + 1, 1) - dt.date(2024, 1, 1)).days for m in month])
    age = (AS_OF - dt.date(2024, 1, 1)).days - day - rng.integers(0, 28, n)
    hazard = -np.log(1 - rate) * np.where(month >= begins, factor, 1.0)
    back = rng.random(n) < 1 - np.exp(-hazard)
    steps = (
        None if missed is None else {k: rng.random(n) < np.where(month >= begins, b, a) for k, (a, b) in missed.items()}
    )
    return bare(back, age_days=age, missed=steps, **columns)


def monthly(data, seed=1):
    return monthly_rates(data, expected_risk(data, np.random.default_rng(seed)), np.random.default_rng(seed))


@pytest.fixture(scope="module")
def doubled():
    return monthly(simulated(factor=2.0, missed={"purge": (0.12, 0.60), "cycles": (0.15, 0.15), "reach": (0.3, 0.3)}))


def test_a_doubling_is_signalled_and_dated(doubled):
    began = doubled.filter("change_began")["month"].to_list()
    assert len(began) == 1
    assert began[0] in ("2024-12", "2025-01", "2025-02")
    assert "high" in doubled.filter(pl.col("month") >= "2025-01")["signal"].to_list()


def test_the_step_that_changed_with_it_is_named_in_that_month_only(doubled):
    assert doubled.filter("change_began")["step_moved"].to_list() == ["purge"]
    assert doubled.filter(~pl.col("change_began"))["step_moved"].null_count() == MONTHS - 1


def test_a_halving_is_signalled_low():
    table = monthly(simulated(rate=0.15, factor=0.4))
    assert "low" in table.filter(pl.col("month") >= "2025-01")["signal"].to_list()
    assert table["change_began"].sum() == 1


def test_a_step_that_changed_the_other_way_is_not_named():
    table = monthly(simulated(factor=2.0, missed={"purge": (0.60, 0.12), "cycles": (0.15, 0.15)}))
    assert table.filter("change_began")["step_moved"].to_list() == [None]


def test_a_step_recorded_too_seldom_is_not_named():
    data = simulated(per_month=10, missed={"purge": (0.0, 1.0)})
    thin = data.missed.with_columns(
        pl.when(pl.int_range(pl.len()).is_in([0, 1, 200, 201])).then("purge").alias("purge")
    )
    assert changed_step(data.bleeds, thin, "2025-01", worse=True) is None


def test_months_not_fully_followed_raise_no_signal():
    data = simulated(factor=2.0)
    young = data.bleeds.with_columns(mature=pl.col("month") < "2025-11", age_days=pl.col("age_days"))
    table = monthly(type(data)(young, data.missed, data.standard, data.as_of, data.window_days))
    late = table.filter(pl.col("month") >= "2025-11")
    assert set(late["signal"]) == {"too_few"}
    assert late["cusum_up"].null_count() == 2


def test_each_shop_has_its_own_charts():
    data = simulated(shop=["North", "South"] * (65 * MONTHS))
    table = monthly(data)
    assert table.group_by("group").len().sort("group").rows() == [("North", 24), ("South", 24), ("all", 24)]
    assert table.filter(pl.col("group") == "North")["cusum_limit"].null_count() == 0


@pytest.mark.parametrize("n", [0, 1, 12, 400])
@pytest.mark.parametrize("share", [0.0, 1.0])
def test_small_and_one_sided_logs_do_not_crash(n, share):
    data = bare(np.full(n, share > 0), age_days=AGE[np.arange(n) * 7 % 730], missed={"purge": np.zeros(n, dtype=bool)})
    table = monthly(data)
    assert table["change_began"].sum() == 0
    assert not table["signal"].is_in(["high", "low"]).any()


def test_a_single_month_raises_no_signal():
    table = monthly(bare(np.arange(500) % 5 == 0, age_days=np.full(500, 200)))
    assert table["signal"].to_list() == ["too_few"]


def test_the_same_generator_gives_the_same_months():
    data = simulated(factor=2.0)
    assert monthly(data).equals(monthly(data))


def test_limits_widen_as_alpha_decreases():
    expected = np.full(24, 8.0)
    null = fit_null_model(
        MonthlySeries(
            np.arange(24), np.random.default_rng(2).poisson(expected).astype(float), np.full(24, 130.0), expected
        ),
        np.random.default_rng(1),
    )
    charts = [control_charts(null, alpha) for alpha in (0.4, 0.08, 0.002)]
    for limits in ([c.up_limit for c in charts], [c.down_limit for c in charts], [c.limits.upper[0] for c in charts]):
        assert limits == sorted(limits)
        assert limits[0] < limits[2]


def test_a_single_shop_has_the_charts_of_all_bleeds():
    table = monthly(simulated(shop=["North"] * (130 * MONTHS), factor=2.0))
    one, other = (table.filter(kind=kind).drop("kind", "group") for kind in ("all", "shop"))
    assert one.equals(other)
    assert one["change_began"].sum() == 1


def test_a_shop_in_question_raises_no_signal_nor_do_all_bleeds():
    data = simulated(factor=2.0, shop=["North", "South"] * (65 * MONTHS))
    in_question = replace(data, in_question=frozenset({"South"}))
    table = monthly(in_question)
    signals = dict(table.group_by("group").agg(pl.col("signal").unique().sort()).iter_rows())
    assert signals["South"] == signals["all"] == ["in_question"]
    assert "in_question" not in signals["North"]


def seasonal(seed, size, per_month=130):
    rng = np.random.default_rng(seed)
    n = per_month * MONTHS
    month = np.repeat(np.arange(MONTHS), per_month)
    first = np.array([(dt.date(2024 + m // 12, m % 12 + 1, 1) - dt.date(2024, 1, 1)).days for m in range(MONTHS)])
    age = (AS_OF - dt.date(2024, 1, 1)).days - first[month] - rng.integers(0, 28, n)
    return bare(rng.random(n) < 0.10 * np.exp(size * np.cos(2 * np.pi * (month - 6) / 12)), age_days=age)


def test_a_season_is_not_a_change_and_its_months_are_within_limits():
    tables = [monthly(seasonal(seed, 0.4), seed) for seed in range(12)]
    assert sum(t["change_began"].any() for t in tables) <= 2  # 5 in 100 are held
    assert sum(t["signal"].is_in(["high", "low"]).any() for t in tables) <= 3
    centre = tables[0].sort("month")["centre"].to_numpy()
    assert centre[6] > 1.5 * centre[0]


def test_overdispersed_months_raise_the_threshold_for_a_change():
    rng = np.random.default_rng(8)
    called = 0
    for _ in range(60):
        mean = 12 * rng.gamma(8, 1 / 8, 24)
        called += change_point(rng.poisson(mean).astype(float), np.full(24, 12.0), rng, draws=299).p_value <= 0.05
    assert called <= 9  # 3 expected; three standard errors more


def test_both_cusum_limits_are_in_the_table(doubled):
    assert doubled["cusum_limit_down"].null_count() == 0
    assert doubled["cusum_limit_down"][0] != doubled["cusum_limit"][0]


def test_a_return_raises_the_cusum_for_worse_and_lowers_the_one_for_better():
    assert (
        log_likelihood_ratios(np.array([0.1]), np.array([1.0]), 2)[0]
        > 0
        > log_likelihood_ratios(np.array([0.1]), np.array([1.0]), 0.5)[0]
    )
    assert cusum(np.array([-1.0, -1.0, 0.5])).tolist() == [0, 0, 0.5]


def test_a_change_point_needs_four_months():
    rng = np.random.default_rng(1)
    assert change_point(np.array([1.0, 1, 9]), np.ones(3), rng) is None
    assert change_point(np.array([1.0, 1, 9, 9]), np.ones(4), rng).index == 2


def test_months_that_vary_by_themselves_name_no_step() -> None:
    """19 steps over 24 months of 65 bleeds, each month's share drawn anew (dispersion 3); no step changes in month 12."""
    rng, false_alarms = np.random.default_rng(8), 0
    months = pl.DataFrame({"month": np.repeat([f"2024-{month:02}" for month in range(24)], 65)})
    for _ in range(40):
        share = rng.uniform(0.05, 0.3, 19)
        monthly = np.repeat(rng.beta(share * 31, (1 - share) * 31, (24, 19)), 65, axis=0)
        columns = {f"step {n}": column for n, column in enumerate((rng.random(monthly.shape) < monthly).T)}
        missed = pl.DataFrame({"session_id": np.arange(len(monthly))} | columns)
        false_alarms += changed_step(months, missed, "2024-12", worse=True) is not None
    assert false_alarms <= 7  # 2 to 3 expected; 28 where months count as binomial
