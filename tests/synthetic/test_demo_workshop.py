"""The co-operative's planted problems are in its log, for any seed."""

from functools import cache

import polars as pl
import pytest

from synthetic import CO_OPERATIVE, PLANTED_PROBLEMS, co_operative, demo_workshop

SEEDS = (21, 22, 23)


@cache
def log(seed):
    return co_operative(seed)


def with_truth(seed):
    created = log(seed)
    returned = (pl.col("return_days") <= created.window_days).fill_null(False)
    return created.sessions.join(created.truth_bleeds, on="session_id").with_columns(returned.alias("came_back"))


def month(rows):
    first = (rows["started_at"].dt.year() - 2024) * 12 + rows["started_at"].dt.month()
    return rows.with_columns(first.alias("month"))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_hard_worker_takes_the_internal_rear_brakes_with_an_average_skill(seed):
    rows = with_truth(seed)
    inside = (pl.col("hose_route") == "internal") & (pl.col("brake") == "rear")
    people = rows.group_by("technician").agg(inside.mean().alias("inside"), pl.col("came_back").mean().alias("rate"))
    assert people.sort("inside")["technician"][-1] == demo_workshop.HARD_WORK
    assert demo_workshop.HARD_WORK in people.sort("rate")["technician"].tail(3)
    assert log(seed).truth_technicians.filter(technician=demo_workshop.HARD_WORK)["effect"][0] == 0


@pytest.mark.parametrize("seed", SEEDS)
def test_the_easy_worker_looks_good_and_is_worse_on_the_same_work(seed):
    rows = with_truth(seed)
    his = rows.filter(technician=demo_workshop.EASY_WORK)
    assert his["risk"].mean() < rows["risk"].mean()
    same = (pl.col("hose_route") == "external") & (pl.col("brake") == "front")
    ours = rows.filter(same & (pl.col("technician") != demo_workshop.EASY_WORK))["risk"].mean()
    assert his.filter(same)["risk"].mean() > 1.3 * ours


@pytest.mark.parametrize("seed", SEEDS)
def test_three_steps_cost_most_and_the_debated_ones_nothing(seed):
    steps = log(seed).truth_steps.sort("preventable_per_100", descending=True)
    assert set(steps["step"].head(3)) == set(demo_workshop.COSTLY_STEPS)
    assert steps["preventable_per_100"].head(3).sum() > steps["preventable_per_100"].tail(16).sum()
    assert steps.filter(pl.col("step").is_in(demo_workshop.ARGUED_STEPS))["preventable_per_100"].sum() == 0


@pytest.mark.parametrize("seed", SEEDS)
def test_one_workshop_stops_purging_its_kit_in_month_nineteen(seed):
    rows = month(with_truth(seed)).filter(shop=demo_workshop.CHANGED_SHOP)
    before, after = (rows.filter(pl.col("month") < 19), rows.filter(pl.col("month") >= 19))
    assert before["kit_purged"].mean() > 0.8
    assert after["kit_purged"].mean() < 0.5
    assert after["risk"].mean() > 1.5 * before["risk"].mean()


@pytest.mark.parametrize("seed", SEEDS)
def test_one_coaching_worked_and_the_other_did_not(seed):
    rows = month(with_truth(seed))
    checks = (
        (demo_workshop.LEARNT, pl.col("cycles") < 2),
        (demo_workshop.DID_NOT_LEARN, pl.col("lever_vacuum_strokes") < 2),
    )
    change = []
    for name, missed in checks:
        his = rows.filter(technician=name)
        share = his.group_by((pl.col("month") > demo_workshop.COACHED_MONTH).alias("after")).agg(
            missed.mean().alias("missed")
        )
        change.append(share.sort("after")["missed"].diff()[1])
    assert change[0] < -0.3
    assert abs(change[1]) < 0.15
    assert set(log(seed).coaching["technician"]) == {demo_workshop.LEARNT, demo_workshop.DID_NOT_LEARN}


@pytest.mark.parametrize("seed", SEEDS)
def test_eleven_bleeds_used_the_wrong_fluid_and_some_left_soft(seed):
    rows = log(seed).sessions
    wrong = (rows["fluid_used"] != rows["fluid_required"]) | (rows["kit_fluid"] != rows["fluid_required"])
    assert wrong.sum() == 11
    assert 5 < (~rows["hard_pull_firm"]).sum() < 200


@pytest.mark.parametrize("seed", SEEDS)
def test_one_models_seals_fail_late(seed):
    worn = with_truth(seed).filter(cause="wear")
    assert worn["brake_model"].unique().to_list() == [demo_workshop.WEARING_MODEL]
    assert worn["return_days"].median() > 180


def test_the_truth_lists_every_planted_problem_and_the_log_has_its_stated_size():
    created = log(SEEDS[0])
    assert created.truth_planted["kind"].to_list() == [problem.kind for problem in PLANTED_PROBLEMS]
    assert created.truth_planted["kind"].is_unique().all()
    assert created.sessions.height == CO_OPERATIVE.sessions == 6000
    assert 0.05 < created.truth_bleeds["risk"].mean() < 0.075
