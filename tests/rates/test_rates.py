"""The rates table: expected comebacks, signals, empty cells, and small logs."""

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


def simulated(seed=1, n=3000, risk_of=None, people=6, **columns):
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
    risk = np.full(n, 0.06) if risk_of is None else risk_of(arrays)
    age = rng.integers(0, 800, n)
    return bare(rng.random(n) < risk, age_days=age, **{k: v.tolist() for k, v in arrays.items()})


@pytest.fixture(scope="module")
def data():
    return simulated()


@pytest.fixture(scope="module")
def table(data):
    return rates(data, np.random.default_rng(1))


def group(table, kind, name):
    return table.filter(pl.col("kind") == kind, pl.col("group") == name).row(0, named=True)


def test_expected_equals_observed_over_all_mature_bleeds(data):
    risk = expected_risk(data, np.random.default_rng(1))
    mature = data.bleeds["mature"].to_numpy()
    assert risk[mature].sum() == pytest.approx(data.bleeds.filter("mature")["came_back"].sum())


@pytest.mark.parametrize("kind", ["brake", "hose_route", "brake_model", "job_reason"])
def test_a_kind_of_work_is_compared_with_the_other_kinds_and_not_with_itself(kind):
    own = np.where(np.arange(6000) % 2, "one", "other").tolist()
    data = simulated(n=6000, risk_of=lambda c: np.where(c[kind] == "one", 0.03, 0.09), **{kind: own})
    table = rates(data, np.random.default_rng(1))
    for here, there in (("one", "other"), ("other", "one")):
        row = group(table, kind, here)
        assert row["expected"] == pytest.approx(row["mature"] * group(table, kind, there)["rate"], rel=0.1)


def test_of_two_shops_each_is_expected_to_do_as_the_other():
    shop = ["North"] * 3000 + ["South"] * 600
    data = simulated(n=3600, shop=shop, risk_of=lambda c: np.where(c["shop"] == "North", 0.10, 0.05))
    table = rates(data, np.random.default_rng(1))
    for here, there in (("North", "South"), ("South", "North")):
        own, other = group(table, "shop", here), group(table, "shop", there)
        assert own["expected"] == pytest.approx(own["mature"] * other["rate"], rel=0.1)  # work differs a little
        assert own["signal"] == ("high" if here == "North" else "low")


def test_all_bleeds_have_nothing_to_be_compared_with(table):
    row = group(table, "all", "all")
    assert row["signal"] == "none"
    assert [row[name] for name in ("expected", "ratio", "shrunk_rate", "rank_lo", "q_value")] == [None] * 5


def test_ratios_and_shrunk_rates_are_within_their_limits(table):
    compared = table.filter(pl.col("ratio").is_not_null())
    assert compared.filter(~pl.col("ratio").is_between("ratio_lo", "ratio_hi")).is_empty()
    assert compared.filter(~pl.col("shrunk_rate").is_between("shrunk_lo", "shrunk_hi")).is_empty()


def test_harder_work_has_a_higher_expected_risk():
    data = simulated(n=6000, risk_of=lambda c: np.where(c["hose_route"] == "internal", 0.12, 0.03))
    risk = expected_risk(data, np.random.default_rng(1))
    internal = (data.bleeds["hose_route"] == "internal").to_numpy()
    assert risk[internal].mean() == pytest.approx(0.12, abs=0.02)  # three standard errors of 3,000 at 12%
    assert risk[~internal].mean() == pytest.approx(0.03, abs=0.01)


def test_a_compared_field_is_not_adjusted_for():
    data = simulated(n=6000, risk_of=lambda c: np.where(c["hose_route"] == "internal", 0.12, 0.03))
    table = rates(data, np.random.default_rng(1))
    assert group(table, "hose_route", "internal")["signal"] == "high"
    assert group(table, "hose_route", "external")["signal"] == "low"


def test_a_technicians_own_returns_do_not_raise_the_expectation():
    model = np.where(np.arange(3000) % 6 == 0, "Marl 4", np.where(np.arange(3000) % 2, "Basalt 2", "Schist 2"))
    who = [f"T{k % 6}" for k in range(3000)]
    columns = {"technician": who, "brake_model": model.tolist()}
    same = simulated(risk_of=lambda c: np.full(3000, 0.08), **columns)
    worse = simulated(risk_of=lambda c: np.where(c["technician"] == "T0", 0.24, 0.08), **columns)
    t0 = (np.array(who) == "T0") & (same.bleeds["age_days"] >= 90).to_numpy()
    both = [group(rates(w, np.random.default_rng(1)), "technician", "T0") for w in (same, worse)]
    risks = [row["expected"] / row["mature"] for row in both]
    observed = worse.bleeds["came_back"].to_numpy()[t0].mean()
    assert observed > 0.18
    assert risks[0] == pytest.approx(risks[1])
    assert risks[0] < 0.13  # T0 is the only one on that model: the expectation must not approach 0.24


def test_the_one_technician_worse_on_the_same_work_signals_alone():
    data = simulated(n=6000, risk_of=lambda c: np.where(c["technician"] == "T3", 0.14, 0.06))
    people = rates(data, np.random.default_rng(1)).filter(pl.col("kind") == "technician")
    assert people.filter(pl.col("signal") == "high")["group"].to_list() == ["T3"]
    assert group(people, "technician", "T3")["rank_hi"] == 1


def test_rank_intervals_of_technicians_who_do_not_differ_overlap(table):
    people = table.filter(pl.col("kind") == "technician")
    assert people["rank_lo"].max() < people["rank_hi"].min()


def test_a_group_with_few_expected_comebacks_is_too_few():
    data = simulated(technician=["New"] * 20 + [f"T{k % 6}" for k in range(2980)])
    table = rates(data, np.random.default_rng(1))
    row = group(table, "technician", "New")
    assert (row["signal"], row["p_value"], row["funnel_lo"]) == ("too_few", None, None)
    assert group(table, "technician", "T1")["signal"] != "too_few"


def test_with_fewer_than_forty_comebacks_nothing_is_compared():
    table = rates(simulated(n=300), np.random.default_rng(1))
    assert set(table["signal"]) == {"too_few"}
    assert table["expected"].null_count() == table.height
    assert table["rate"].null_count() < table.height


def test_the_same_generator_gives_the_same_table(data, table):
    assert rates(data, np.random.default_rng(1)).equals(table)


@pytest.mark.parametrize("share", [0.0, 1.0])
@pytest.mark.parametrize("n", [0, 1, 12, 200])
def test_small_and_one_sided_logs_do_not_crash(n, share):
    table = rates(simulated(n=n, people=1, risk_of=lambda c: np.full(n, share)), np.random.default_rng(1))
    assert table.filter(pl.col("kind") == "all").height == min(n, 1)


def test_a_single_technician_is_not_compared():
    table = rates(simulated(people=1), np.random.default_rng(1))
    row = group(table, "technician", "T0")
    assert (row["signal"], row["q_value"], row["expected"], row["ratio"]) == ("too_few", None, None, None)


def test_one_worse_shop_of_three_does_not_make_the_others_look_better():
    n = 6000
    shop = [("East", "North", "South")[k % 3] for k in range(n)]
    tables = [
        rates(
            simulated(seed, n, lambda c: np.where(c["shop"] == "South", 0.12, 0.06), shop=shop),
            np.random.default_rng(1),
        )
        for seed in range(5)
    ]
    signals = [dict(t.filter(kind="shop").select("group", "signal").iter_rows()) for t in tables]
    assert signals == [{"East": "none", "North": "none", "South": "high"}] * 5


def test_the_expectation_of_few_groups_is_as_uncertain_as_its_reference_count():
    table = rates(simulated(people=2), np.random.default_rng(1)).filter(kind="technician")
    one, other = table.rows(named=True)
    poisson = exact_poisson_limits(one["comebacks"])
    width = np.log(one["ratio_hi"] / one["ratio_lo"]) / np.log(float(poisson.hi) / float(poisson.lo))
    reference_factor = np.sqrt(1 + one["comebacks"] / other["comebacks"])
    assert width == pytest.approx(reference_factor, rel=0.1)


def test_correlated_bleeds_of_one_bike_have_a_design_effect():
    n, rng = 4000, np.random.default_rng(5)
    bike = rng.integers(0, 200, n)
    prone = rng.gamma(1.0, 1.0, 200)[bike]
    data = simulated(n=n, people=4, bike_id=[f"b{k}" for k in bike], risk_of=lambda c: np.minimum(0.08 * prone, 0.9))
    independent = simulated(n=n, people=4, risk_of=lambda c: np.minimum(0.08 * prone, 0.9))
    clustered, unclustered = (
        leave_group_out(w, "technician", build_case_mix(w.bleeds), np.random.default_rng(1)).clustering
        for w in (data, independent)
    )
    assert clustered > 1.15 > unclustered >= 1


def test_a_doubled_risk_among_five_technicians_is_detected():
    data = simulated(n=6000, people=5, risk_of=lambda c: np.where(c["technician"] == "T3", 0.12, 0.06))
    people = rates(data, np.random.default_rng(1)).filter(kind="technician")
    assert people.filter(pl.col("signal") != "none").select("group", "signal").rows() == [("T3", "high")]


def test_a_shop_whose_recording_is_in_question_raises_no_signal():
    data = simulated(
        n=6000, shop=["North", "South"] * 3000, risk_of=lambda c: np.where(c["shop"] == "North", 0.12, 0.04)
    )
    in_question = replace(data, questions=("South: no return",), in_question=frozenset({"South"}))
    assert group(rates(data, np.random.default_rng(1)), "shop", "South")["signal"] == "low"
    row = group(rates(in_question, np.random.default_rng(1)), "shop", "South")
    assert row["signal"] == "in_question"
    assert row["rate"] > 0


def test_the_kinds_of_groups_are_those_of_the_schema():
    assert ("all", *KINDS) == RATE_KINDS


def test_a_log_of_recent_bleeds_has_no_ratio():
    data = bare(np.arange(400) % 4 == 0, age_days=np.full(400, 60), technician=["Wren", "Flint"] * 200)
    table = rates(data, np.random.default_rng(1))
    assert table["ratio"].null_count() == table.height
    assert "high" not in table["signal"].to_list()


def test_without_case_mix_every_bleed_has_the_same_risk():
    data = bare(np.arange(3000) % 10 == 0, technician=["Wren", "Flint", "Alder"] * 1000)
    risk = expected_risk(data, np.random.default_rng(1))
    assert risk == pytest.approx(np.full(3000, 0.1), rel=0.2)  # folds of 600 differ a little
    assert group(rates(data, np.random.default_rng(1)), "technician", "Wren")["signal"] == "none"
