"""The truth tables add up: with the log they stand beside, with an independent library, with themselves."""

from functools import cache

import numpy as np
import polars as pl
import pytest
from scipy.stats import weibull_min

from schemas import LOG_TABLES, validate_table
from synthetic import SimulatedLog, scenario_workshop, simulate, write_simulation
from synthetic.hazard import Cause, SimulatedHazard
from tests.simulated_logs import prepared_of


@cache
def world(name: str, sessions: int = 6000, seed: int = 4) -> SimulatedLog:
    return simulate(scenario_workshop(name, sessions), seed)


def followed(log: SimulatedLog) -> pl.DataFrame:
    """Bleeds followed for the whole window: true risk, and whether they came back within it."""
    age = (pl.lit(log.as_of) - pl.col("started_at").dt.date()).dt.total_days()
    mature = log.sessions.filter(age >= log.window_days).join(log.truth_bleeds, on="session_id")
    returned = (pl.col("return_days") <= log.window_days).fill_null(False)
    return mature.select("session_id", "shop", "technician", "risk", returned.alias("came_back"))


@pytest.mark.parametrize("name", ["base", "repeats", "loglinear", "first 30 days only", "seals wear out"])
def test_as_many_come_back_as_the_true_risks_say(name):
    bleeds = followed(world(name))
    risk = bleeds["risk"].to_numpy()
    # 4 standard errors of a sum of independent returns: once in 16,000 worlds
    slack = 4 * np.sqrt((risk * (1 - risk)).sum())
    assert abs(bleeds["came_back"].sum() - risk.sum()) <= slack


def test_bleeds_of_high_true_risk_come_back_as_often_as_that_says():
    bleeds = followed(world("base")).sort("risk")
    for part in np.array_split(np.arange(bleeds.height), 5):
        fifth = bleeds[part]
        risk = fifth["risk"].to_numpy()
        assert abs(fifth["came_back"].sum() - risk.sum()) <= 4 * np.sqrt((risk * (1 - risk)).sum())


def test_risks_of_one_cause_are_the_weibull_distribution_of_scipy():
    days = np.array([0.5, 3.0, 30.0, 91.0, 400.0])
    danger = SimulatedHazard((Cause("air", 0.6, 91.0),), np.full((5, 1), 0.07))
    expected = weibull_min.cdf(days, 0.6, scale=91.0 * 0.07 ** (-1 / 0.6))
    # the same formula in another parametrisation: rounding only
    np.testing.assert_allclose(danger.risk(days), expected, rtol=1e-10)


def test_drawn_times_follow_the_risks_of_several_causes_one_of_them_fading():
    causes = (Cause("air", 0.6, 91.0), Cause("air", 0.6, 91.0, 30.0), Cause("wear", 3.0, 400.0))
    n = 200_000
    danger = SimulatedHazard(causes, np.tile([0.3, 0.5, 1.0], (n, 1)))
    days, _ = danger.times(np.random.default_rng(1))
    for day in (1.0, 20.0, 60.0, 300.0):
        risk = danger.risk(np.array([day] * n))[0]
        # 4 standard errors of a share among 200,000
        assert abs((days <= day).mean() - risk) <= 4 * np.sqrt(risk * (1 - risk) / n)


@pytest.mark.parametrize("name", ["repeats", "poor bookkeeping", "loglinear"])
def test_the_rules_of_the_log_find_every_return_and_every_recorded_miss(name):
    log = world(name, 2000)
    read = prepared_of(log)
    result = dict(log.truth_steps.select("step", "recorded_missed").iter_rows())
    assert {step: int(read.missed[step].sum()) for step in result} == result
    both = read.bleeds.select("session_id", "mature", "came_back").join(log.truth_bleeds, on="session_id")
    true = (both["return_days"] <= log.window_days).fill_null(False)
    assert both.filter(both["mature"] & (both["came_back"] != true)).height == 0


def test_nothing_is_preventable_where_no_step_matters():
    for name in ("no step matters", "loglinear, no step matters", "equal people"):
        assert world(name, 1500).truth_steps["preventable_per_100"].to_list() == [0.0] * 19


def test_what_a_step_costs_is_what_its_repair_spares_in_the_mechanics():
    """Of the dominant step's misses alone: the whole preventable share is the risk above that of the met."""
    log = world("one dominant step, by air", 20_000, 2)
    bleeds = log.sessions.join(log.truth_bleeds, on="session_id").filter(pl.col("kit_purged").is_not_null())
    missed = bleeds.filter(~pl.col("kit_purged"))["risk"]
    is_met = bleeds.filter(pl.col("kit_purged"))["risk"]
    result = log.truth_steps.filter(step="purge")["preventable_per_100"][0]
    crude = 100 * (missed.mean() - is_met.mean()) * len(missed) / log.sessions.height
    # case mix and skill differ a little between the missed and the met: a fifth covers it
    assert result == pytest.approx(crude, rel=0.2)
    assert result > 1


def test_one_seed_gives_one_log_and_another_seed_another():
    one, again, other = (simulate(scenario_workshop("base", 300), seed) for seed in (5, 5, 6))
    tables = [name for name in SimulatedLog.__dataclass_fields__ if isinstance(getattr(one, name), pl.DataFrame)]
    assert all(getattr(one, name).equals(getattr(again, name)) for name in tables)
    assert not one.sessions.equals(other.sessions)


@pytest.mark.parametrize("sessions", [60, 999, 4000])
def test_as_many_bleeds_are_made_as_asked_for(sessions):
    log = simulate(scenario_workshop("base", sessions), 9)
    assert log.sessions.height == log.truth_bleeds.height == sessions


def test_every_table_fits_its_schema():
    log = world("poor bookkeeping", 1500)
    for name, model in LOG_TABLES.items():
        if name == "measures":  # none is simulated
            continue
        types = {column: kind.dtype.type for column, kind in model.to_schema().columns.items()}
        table: pl.DataFrame = getattr(log, name)
        lacking = [
            pl.lit(None).cast(kind).alias(column) for column, kind in types.items() if column not in table.columns
        ]
        assert all(table[column].dtype == types[column] for column in table.columns)
        validate_table(model, table.with_columns(lacking))


def test_written_files_hold_the_log_and_its_truth(tmp_path):
    log = world("base", 1500)
    write_simulation(log, tmp_path)
    assert pl.read_csv(tmp_path / "sessions.csv").height == log.sessions.height
    assert pl.read_csv(tmp_path / "comebacks.csv").height == log.comebacks.height
    steps = pl.read_csv(tmp_path / "truth" / "steps.csv")
    assert steps["preventable_per_100"].to_list() == pytest.approx(log.truth_steps["preventable_per_100"].to_list())
