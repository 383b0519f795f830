"""The rates table: what is expected, who is called, what is left empty, and that thin logs never break it."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from analysis.rates import build_case_mix, expected_risk, leave_group_out, rates
from analysis.rates.crude import KINDS
from analysis.stats import exact_poisson_limits
from schemas.outputs import RATE_KINDS
from tests.rates.bare import bare

MODELS = ("Basalt 2", "Marl 4", "Schist 2")


def drawn(seed=1, n=3000, chance=None, people=6, **columns):
    """A shop where `chance` (a function of the columns drawn) is each bleed's risk; nobody differs unless it says so."""
    rng = np.random.default_rng(seed)
    frame = {
        "technician": [f"T{k}" for k in rng.integers(0, people, n)],
        "shop": [("North", "South")[k] for k in rng.integers(0, 2, n)],
        "brake_model": [MODELS[k] for k in rng.integers(0, 3, n)],
        "hose_route": [("external", "internal")[k] for k in rng.integers(0, 2, n)],
        "brake": [("front", "rear")[k] for k in rng.integers(0, 2, n)],
    } | columns
    arrays = {name: np.array(values) for name, values in frame.items()}
    risk = np.full(n, 0.06) if chance is None else chance(arrays)
    age = rng.integers(0, 800, n)
    return bare(rng.random(n) < risk, age_days=age, **{k: v.tolist() for k, v in arrays.items()})


@pytest.fixture(scope="module")
def world():
    return drawn()


@pytest.fixture(scope="module")
def table(world):
    return rates(world, np.random.default_rng(1))


def group(table, kind, name):
    return table.filter(pl.col("kind") == kind, pl.col("group") == name).row(0, named=True)


def test_expected_equals_observed_over_all_mature_bleeds(world):
    risk = expected_risk(world, np.random.default_rng(1))
    mature = world.bleeds["mature"].to_numpy()
    assert risk[mature].sum() == pytest.approx(world.bleeds.filter("mature")["came_back"].sum())


def test_expectations_of_the_works_own_kinds_add_up_to_what_was_observed(table):
    whole = group(table, "all", "all")["comebacks"]
    sums = table.filter(~pl.col("kind").is_in(["shop", "technician"])).group_by("kind").agg(pl.col("expected").sum())
    assert sums["expected"].to_list() == pytest.approx([whole] * sums.height)


def test_the_smaller_of_two_shops_is_expected_to_do_as_the_larger():
    shop = ["North"] * 3000 + ["South"] * 600
    world = drawn(n=3600, shop=shop, chance=lambda c: np.where(c["shop"] == "North", 0.10, 0.05))
    table = rates(world, np.random.default_rng(1))
    for here, there in (("North", "South"), ("South", "North")):
        own, other = group(table, "shop", here), group(table, "shop", there)
        assert own["expected"] == pytest.approx(own["mature"] * other["rate"], rel=0.1)  # work differs a little
        assert own["signal"] == ("high" if here == "North" else "low")


def test_all_is_compared_with_itself(table):
    row = group(table, "all", "all")
    assert row["ratio"] == pytest.approx(1)
    assert row["signal"] == "none"
    assert row["q_value"] is None


def test_a_ratio_lies_within_its_limits_and_a_shrunk_rate_within_its_own(table):
    judged = table.filter(pl.col("ratio").is_not_null())
    assert judged.filter(~pl.col("ratio").is_between("ratio_lo", "ratio_hi")).is_empty()
    assert judged.filter(~pl.col("shrunk_rate").is_between("shrunk_lo", "shrunk_hi")).is_empty()


def test_harder_work_is_expected_to_come_back_more():
    world = drawn(n=6000, chance=lambda c: np.where(c["hose_route"] == "internal", 0.12, 0.03))
    risk = expected_risk(world, np.random.default_rng(1))
    internal = (world.bleeds["hose_route"] == "internal").to_numpy()
    assert risk[internal].mean() == pytest.approx(0.12, abs=0.02)  # three standard errors of 3,000 at 12%
    assert risk[~internal].mean() == pytest.approx(0.03, abs=0.01)


def test_a_compared_context_is_no_part_of_its_own_expectation():
    world = drawn(n=6000, chance=lambda c: np.where(c["hose_route"] == "internal", 0.12, 0.03))
    table = rates(world, np.random.default_rng(1))
    assert group(table, "hose_route", "internal")["signal"] == "high"
    assert group(table, "hose_route", "external")["signal"] == "low"


def test_a_persons_own_returns_do_not_raise_what_is_expected_of_them():
    model = np.where(np.arange(3000) % 6 == 0, "Marl 4", np.where(np.arange(3000) % 2, "Basalt 2", "Schist 2"))
    who = [f"T{k % 6}" for k in range(3000)]
    columns = {"technician": who, "brake_model": model.tolist()}
    usual = drawn(chance=lambda c: np.full(3000, 0.08), **columns)
    worse = drawn(chance=lambda c: np.where(c["technician"] == "T0", 0.24, 0.08), **columns)
    t0 = (np.array(who) == "T0") & (usual.bleeds["age_days"] >= 90).to_numpy()
    both = [group(rates(w, np.random.default_rng(1)), "technician", "T0") for w in (usual, worse)]
    risks = [row["expected"] / row["mature"] for row in both]
    observed = worse.bleeds["came_back"].to_numpy()[t0].mean()
    assert observed > 0.18
    assert risks[0] == pytest.approx(risks[1])
    assert risks[0] < 0.13  # the only one on that model: never toward 0.24


def test_one_who_is_worse_on_the_same_work_is_called_and_nobody_else():
    world = drawn(n=6000, chance=lambda c: np.where(c["technician"] == "T3", 0.14, 0.06))
    people = rates(world, np.random.default_rng(1)).filter(pl.col("kind") == "technician")
    assert people.filter(pl.col("signal") == "high")["group"].to_list() == ["T3"]
    assert group(people, "technician", "T3")["rank_hi"] == 1


def test_ranks_of_people_who_do_not_differ_all_overlap(table):
    people = table.filter(pl.col("kind") == "technician")
    assert people["rank_lo"].max() < people["rank_hi"].min()


def test_a_group_with_little_to_expect_is_too_few():
    world = drawn(technician=["New"] * 20 + [f"T{k % 6}" for k in range(2980)])
    table = rates(world, np.random.default_rng(1))
    row = group(table, "technician", "New")
    assert (row["signal"], row["p_value"], row["funnel_lo"]) == ("too_few", None, None)
    assert group(table, "technician", "T1")["signal"] != "too_few"


def test_under_forty_comebacks_nothing_is_judged():
    table = rates(drawn(n=300), np.random.default_rng(1))
    assert set(table["signal"]) == {"too_few"}
    assert table["expected"].null_count() == table.height
    assert table["rate"].null_count() < table.height


def test_the_same_generator_gives_the_same_table(world, table):
    assert rates(world, np.random.default_rng(1)).equals(table)


@pytest.mark.parametrize("share", [0.0, 1.0])
@pytest.mark.parametrize("n", [0, 1, 12, 200])
def test_thin_and_one_sided_logs_are_told_without_a_crash(n, share):
    table = rates(drawn(n=n, people=1, chance=lambda c: np.full(n, share)), np.random.default_rng(1))
    assert table.filter(pl.col("kind") == "all").height == min(n, 1)


def test_one_technician_alone_is_compared_with_nobody():
    table = rates(drawn(people=1), np.random.default_rng(1))
    row = group(table, "technician", "T0")
    assert (row["signal"], row["q_value"], row["expected"], row["ratio"]) == ("too_few", None, None, None)


def test_one_shop_of_three_that_is_worse_makes_no_other_look_better():
    n = 6000
    shop = [("East", "North", "South")[k % 3] for k in range(n)]
    found = [
        rates(drawn(seed, n, lambda c: np.where(c["shop"] == "South", 0.12, 0.06), shop=shop), np.random.default_rng(1))
        for seed in range(5)
    ]
    signals = [dict(t.filter(kind="shop").select("group", "signal").iter_rows()) for t in found]
    assert signals == [{"East": "none", "North": "none", "South": "high"}] * 5


def test_the_expectation_of_few_groups_is_as_uncertain_as_the_comebacks_it_rests_on():
    table = rates(drawn(people=2), np.random.default_rng(1)).filter(kind="technician")
    one, other = table.rows(named=True)
    poisson = exact_poisson_limits(one["comebacks"])
    width = np.log(one["ratio_hi"] / one["ratio_lo"]) / np.log(float(poisson.hi) / float(poisson.lo))
    rests_on = np.sqrt(1 + one["comebacks"] / other["comebacks"])
    assert width == pytest.approx(rests_on, rel=0.1)


def test_bleeds_of_one_bike_that_resemble_each_other_count_for_less():
    n, rng = 4000, np.random.default_rng(5)
    bike = rng.integers(0, 200, n)
    prone = rng.gamma(1.0, 1.0, 200)[bike]
    world = drawn(n=n, people=4, bike_id=[f"b{k}" for k in bike], chance=lambda c: np.minimum(0.08 * prone, 0.9))
    alone = drawn(n=n, people=4, chance=lambda c: np.minimum(0.08 * prone, 0.9))
    loose, tight = (
        leave_group_out(w, "technician", build_case_mix(w.bleeds), np.random.default_rng(1)).clustering
        for w in (world, alone)
    )
    assert loose > 1.15 > tight >= 1


def test_a_doubled_hazard_among_five_is_found():
    world = drawn(n=6000, people=5, chance=lambda c: np.where(c["technician"] == "T3", 0.12, 0.06))
    people = rates(world, np.random.default_rng(1)).filter(kind="technician")
    assert people.filter(pl.col("signal") != "none").select("group", "signal").rows() == [("T3", "high")]


def test_a_shop_whose_recording_is_in_question_is_neither_praised_nor_blamed():
    world = drawn(n=6000, shop=["North", "South"] * 3000, chance=lambda c: np.where(c["shop"] == "North", 0.12, 0.04))
    asked = replace(world, questions=("South: no return",), in_question=frozenset({"South"}))
    assert group(rates(world, np.random.default_rng(1)), "shop", "South")["signal"] == "low"
    row = group(rates(asked, np.random.default_rng(1)), "shop", "South")
    assert row["signal"] == "in_question"
    assert row["rate"] > 0


def test_the_kinds_of_groups_are_those_the_schema_names():
    assert ("all", *KINDS) == RATE_KINDS


def test_only_young_bleeds_have_no_ratio():
    world = bare(np.arange(400) % 4 == 0, age_days=np.full(400, 60), technician=["Wren", "Flint"] * 200)
    table = rates(world, np.random.default_rng(1))
    assert table["ratio"].null_count() == table.height
    assert "high" not in table["signal"].to_list()


def test_work_that_was_never_described_is_all_alike():
    world = bare(np.arange(3000) % 10 == 0, technician=["Wren", "Flint", "Alder"] * 1000)
    risk = expected_risk(world, np.random.default_rng(1))
    assert risk == pytest.approx(np.full(3000, 0.1), rel=0.2)  # folds of 600 differ a little
    assert group(rates(world, np.random.default_rng(1)), "technician", "Wren")["signal"] == "none"
