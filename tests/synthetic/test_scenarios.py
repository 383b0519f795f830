"""Each family of worlds differs from the base in what its name says."""

from functools import cache

import numpy as np
import polars as pl
import pytest

from synthetic import SCENARIOS, SimulatedLog, StepTruth, Workshop, loglinear, physical, scenario_workshop, simulate
from synthetic.physical import Circumstances
from synthetic.procedure import PLACE, STEPS


@cache
def world(name: str, sessions: int = 6000) -> SimulatedLog:
    return simulate(scenario_workshop(name, sessions), 3)


def joined(name: str) -> pl.DataFrame:
    return world(name).sessions.join(world(name).truth_bleeds, on="session_id")


def rate(log: SimulatedLog) -> float:
    return float(log.truth_bleeds["risk"].mean())


def share_missing(name: str, field: str) -> float:
    return float(world(name).sessions[field].null_count() / world(name).sessions.height)


@pytest.mark.parametrize("name", SCENARIOS)
def test_every_family_makes_a_log_with_returns(name):
    log = simulate(scenario_workshop(name, 500), 1)
    assert log.sessions.height == 500
    assert log.comebacks.height > 5


def test_an_unknown_family_is_refused_by_name():
    with pytest.raises(ValueError, match="no such world"):
        scenario_workshop("no such world", 100)


def test_steps_out_of_order_are_refused():
    with pytest.raises(ValueError, match="19 steps"):
        Workshop(steps=(StepTruth("purge", 0.1, 1.0),))


def test_the_base_rate_is_met_and_a_workshop_of_few_comebacks_has_few():
    # repairs of returns are harder than planned bleeds, so the mean lies a little above the base rate
    assert rate(world("base")) == pytest.approx(0.06, rel=0.12)
    assert rate(world("few comebacks")) == pytest.approx(0.025, rel=0.12)


def test_steps_are_missed_about_as_often_as_the_workshop_says():
    log = simulate(scenario_workshop("many technicians", 10_000), 8)
    for step, truth in zip(STEPS, scenario_workshop("many technicians").steps, strict=True):
        missed = log.truth_steps.filter(step=step.id)["recorded_missed"][0]
        recorded = log.sessions[step.fields[0]].count()
        # 60 people's habits still leave the shop's mean uncertain by a tenth; difficulty adds as much
        assert missed / recorded == pytest.approx(truth.share_missed, rel=0.3)


def test_signs_predict_returns_unless_they_are_uninformative():
    informed, blind = (joined(name).select(pl.corr("air_ml", "risk", method="spearman")).item() for name in
                       ("base", "stand readings predict nothing"))  # fmt: skip
    assert informed > 0.6
    assert abs(blind) < 0.06  # 4 standard errors of no correlation among 6,000


def test_a_miss_shows_on_the_stand_unless_it_bypasses_the_signs():
    def excess(name):
        means = (
            joined(name).drop_nulls("kit_purged").group_by("kit_purged").agg(pl.col("air_ml").mean()).sort("kit_purged")
        )
        return means["air_ml"][0] / means["air_ml"][1]

    assert excess("base") > 1.4
    assert excess("effects not seen in stand readings") < 1.2
    assert excess("effects not seen in stand readings") < excess("half not seen in stand readings") < excess("base")


def test_where_effects_fade_the_missed_come_back_early_or_like_the_others():
    def late_share(name, purged):
        days = joined(name).filter(pl.col("kit_purged") == purged)["return_days"].drop_nulls()
        return (days > 30).mean()

    assert late_share("first 30 days only", False) < late_share("base", False) - 0.05


def test_a_dominant_step_is_the_only_one_that_costs():
    for name, step in (("one dominant step, by air", "purge"), ("one dominant step, by leak", "seals")):
        costly = world(name).truth_steps.filter(pl.col("preventable_per_100") > 0)
        assert costly["step"].to_list() == [step]


def test_entries_are_missing_as_the_family_says():
    assert share_missing("base", "cycles") == pytest.approx(0.03, abs=0.01)
    assert share_missing("30% not recorded", "cycles") == pytest.approx(0.30, abs=0.025)


def test_embarrassing_entries_are_left_out_more_often():
    def recorded_misses(name):
        return int((~world(name).sessions["kit_purged"]).sum())

    assert recorded_misses("misses left unrecorded") < 0.65 * recorded_misses("base")


def test_brakes_come_again_and_again_where_they_repeat():
    def each(name):
        sessions = world(name).sessions
        return sessions.height / sessions.select("bike_id", "brake").n_unique()

    assert each("repeats") > 2 * each("base")


def test_difficult_work_goes_to_some_people_under_strong_confounding():
    def spread(name):
        inside = pl.col("hose_route") == "internal"
        return world(name).sessions.group_by("technician").agg(inside.mean().alias("share"))["share"].std()

    assert spread("strong confounding") > 1.5 * spread("base")


def test_a_step_that_moves_the_reading_does_so_without_air():
    def longer(name, field):
        by = joined(name).drop_nulls([field, "lever_travel_after_mm"]).group_by(field)
        means = by.agg(pl.col("lever_travel_after_mm").mean()).sort(field)["lever_travel_after_mm"]
        return means[0] - means[1]

    moved, unmoved = longer("an unmarked step moves the reading", "pads_out"), longer("base", "pads_out")
    assert moved - unmoved == pytest.approx(1.5, abs=0.6)


def test_many_technicians_are_many():
    assert world("many technicians").technicians.height == 60


def test_worn_seals_come_back_late_and_of_one_model_only():
    worn = joined("seals wear out").filter(cause="wear")
    assert worn["brake_model"].unique().to_list() == ["Schist 2"]
    assert worn["return_days"].median() > 150


def test_a_shop_that_changes_doubles_its_hazard_from_that_month():
    change = scenario_workshop("a shop changes").changes[0]
    month = world("a shop changes").truth_events.filter(kind="change of hazard")["date"][0]
    rows = joined("a shop changes").with_columns((pl.col("started_at").dt.date() >= month).alias("after"))
    here = rows.filter(shop=change.shop).group_by("after").agg(pl.col("risk").mean()).sort("after")["risk"]
    there = (
        rows.filter(pl.col("shop") != change.shop).group_by("after").agg(pl.col("risk").mean()).sort("after")["risk"]
    )
    # leaks answer less than air, and risks less than hazards: somewhat under 2
    assert 1.5 < here[1] / here[0] < 2.2
    assert there[1] / there[0] == pytest.approx(1, abs=0.2)


def test_a_copier_repeats_whole_entries_and_a_rounder_writes_round_numbers():
    log = world("poor bookkeeping")
    fields = ["lever_reach_mm", "cycles", "lever_port_nm", "caliper_port_nm", "lever_syringe_fill"]
    both_full = pl.all_horizontal(
        pl.col(f).is_not_null() & pl.col(f).shift().over("technician").is_not_null() for f in fields
    )
    same = pl.all_horizontal(pl.col(f) == pl.col(f).shift().over("technician") for f in fields)
    rows = log.sessions.sort("session_id").filter(both_full.fill_null(False)).with_columns(same.alias("same"))
    repeated = dict(rows.group_by("technician").agg(pl.col("same").mean()).iter_rows())
    assert repeated.pop("Sorrel") > 0.3
    assert max(repeated.values()) < 0.05
    travel = log.sessions.filter(technician="Flint")["lever_travel_after_mm"].drop_nulls()
    assert (travel % 5 == 0).all()


def test_hazards_are_proportional_in_the_loglinear_world_and_not_in_the_physical_one():
    clean, missed = np.zeros((1, 19), bool), np.zeros((1, 19), bool)
    missed[0, PLACE["seals"]] = True
    surrounding = Circumstances(
        np.zeros(1), np.zeros((1, 2)), np.zeros(1, bool), np.zeros(1, bool), missed * 0.5, missed * 0.5, np.zeros(1)
    )

    def ratio(mechanics, name, day):
        one, two = (mechanics.hazard(scenario_workshop(name), 1.0, steps, surrounding).cumulative(np.array([day]))[0]
                    for steps in (missed, clean))  # fmt: skip
        return one / two

    assert ratio(loglinear, "loglinear", 5.0) == pytest.approx(ratio(loglinear, "loglinear", 90.0), rel=1e-9)
    # leaks come later than air
    assert ratio(physical, "base", 5.0) < 0.9 * ratio(physical, "base", 90.0)


def test_a_shop_that_stops_writing_returns_has_none_from_then_on_and_the_bikes_come_back_all_the_same():
    log, gap = (
        world("a shop stops writing returns"),
        scenario_workshop("a shop stops writing returns").returns_written[0],
    )
    here = log.sessions.filter(shop=gap.shop).select("bike_id").unique()
    content = log.comebacks.join(here, on="bike_id", how="semi")["returned_at"].dt.date()
    stopped = log.truth_events.filter(kind="returns written").select(pl.col("detail").str.to_date()).item()
    assert content.max() <= stopped
    later = log.sessions.filter(pl.col("shop") == gap.shop, pl.col("started_at").dt.date() > stopped)
    assert not later["job_reason"].is_in(["comeback", "soft_lever"]).any()
    returned = log.truth_bleeds.join(later, on="session_id")["return_days"]
    assert returned.count() > 10


def test_a_shop_that_starts_late_has_returns_from_then_on():
    log = world("a shop starts writing returns late")
    (event,) = log.truth_events.filter(kind="returns written").iter_rows(named=True)
    here = log.sessions.filter(shop=event["subject"]).select("bike_id").unique()
    content = log.comebacks.join(here, on="bike_id", how="semi")["returned_at"].dt.date()
    assert event["date"] <= content.min()
    assert content.len() > 10


def test_a_season_raises_summer_over_winter_by_as_much_as_it_says():
    rows = joined("season of 50%").with_columns(month=pl.col("started_at").dt.month())
    summer, winter = (rows.filter(pl.col("month").is_in(m))["risk"].mean() for m in ([6, 7, 8], [12, 1, 2]))
    # twice the log amplitude, times the mean cosine of the three months (0.95); risks differ by less than hazards
    assert np.log(summer / winter) == pytest.approx(2 * 0.41 * 0.95, rel=0.25)


def test_a_growing_trade_ends_four_times_as_busy():
    def growth(name):
        counts = world(name).sessions.group_by(pl.col("started_at").dt.truncate("1mo")).len()
        each = counts.sort("started_at")["len"].to_numpy()
        return each[-4:].sum() / each[:4].sum()

    # the first and last four of 30 months; each brake's first visit is soon and its later ones are rarer
    assert growth("volume grows fourfold") / growth("equal people") == pytest.approx(3.2, rel=0.2)


def test_months_that_differ_do_so_for_all_their_bleeds():
    def spread(name):
        means = joined(name).group_by(pl.col("started_at").dt.truncate("1mo"), "shop").agg(pl.col("risk").mean().log())
        return means["risk"].std()

    assert np.sqrt(spread("months differ") ** 2 - spread("equal people") ** 2) == pytest.approx(0.2, rel=0.4)


def test_few_technicians_share_few_bikes():
    log = world("two technicians", 3000)
    assert log.technicians.height == 2
    assert log.sessions["bike_id"].n_unique() < 250


def test_one_of_five_is_twice_as_likely_to_see_a_bike_again():
    rows = joined("one of five at twice the hazard").group_by(wren=pl.col("technician") == "Wren")
    risk = dict(rows.agg(pl.col("risk").mean()).iter_rows())
    assert 1.5 < risk[True] / risk[False] < 2.1  # leaks answer less than air, and risks less than hazards
