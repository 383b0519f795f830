"""Misses against peers on the same work, on counts drawn so that the answer can be calculated by hand."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm

from analysis.people import technique_table
from analysis.people.peer_comparison import CONTEXT, PeerComparison, compare_with_peers, shrink_excess
from analysis.rates import CovariatePatterns, covariate_patterns
from analysis.stats import benjamini_hochberg, exact_binomial_limits
from schemas import empty
from schemas.outputs import Steps
from tests.people.logs import entries, ready

NO_COSTS = empty(Steps)
PEOPLE = ("Alder", "Flint", "Wren", "Sorrel")


def purged(missed: int, of: int, **others: str) -> list[dict[str, object]]:
    """Misses spread evenly over the bleeds, so that nothing changes with time; 37 has no factor in common with the counts."""
    return [{"kit_purged": 37 * n % of >= missed, **others} for n in range(of)]


def _alternating(some: list[dict[str, object]], others: list[dict[str, object]]) -> list[dict[str, object]]:
    return [row for pair in zip(some, others, strict=True) for row in pair]


def row(table: pl.DataFrame, who: str, step: str = "purge") -> dict[str, float]:
    return table.filter(technician=who, step=step).row(0, named=True)


def test_shares_are_of_the_recorded_bleeds_alone() -> None:
    log = ready(entries("Wren", [*purged(6, 20), *[{}] * 30]), entries("Alder", purged(2, 20)))
    wren = row(technique_table(log, NO_COSTS), "Wren")
    assert (wren["recorded"], wren["missed"], wren["share"]) == (20, 6, 0.3)


def test_peers_are_everyone_else_on_the_same_work() -> None:
    """Alder misses half on inside hoses and none outside; Wren has inside hoses alone: a half is what peers do there."""
    inside, outside = {"hose_route": "internal"}, {"hose_route": "external"}
    log = ready(
        entries("Wren", purged(75, 150, **inside)),
        entries("Alder", _alternating(purged(38, 75, **inside), purged(0, 75, **outside))),
    )
    wren = row(technique_table(log, NO_COSTS), "Wren")
    assert wren["peer_share"] == pytest.approx(38 / 75, abs=0.02)  # less exact by the ridge of one bleed


def test_technicians_do_not_count_among_their_own_peers() -> None:
    log = ready(entries("Wren", purged(40, 40)), entries("Alder", purged(0, 400)))
    work = covariate_patterns(log.bleeds, CONTEXT)
    [peers] = compare_with_peers(log.bleeds.get_column("technician"), work, [log.missed.get_column("purge")])
    assert peers.peer_share == pytest.approx([1.0, 0.0], abs=0.03)


def test_fewer_than_ten_recorded_bleeds_give_no_excess() -> None:
    log = ready(entries("Wren", purged(9, 9)), entries("Alder", purged(5, 50)), entries("Flint", purged(5, 50)))
    wren = row(technique_table(log, NO_COSTS), "Wren")
    assert (wren["share"], wren["excess"], wren["lo"]) == (1.0, None, None)


def test_technicians_who_do_not_clearly_differ_are_moved_to_their_peers_and_keep_an_interval() -> None:
    log = ready(*(entries(who, purged(missed, 50)) for who, missed in (("Wren", 6), ("Alder", 5), ("Flint", 4))))
    table = technique_table(log, NO_COSTS).filter(step="purge")
    assert (table.get_column("excess").abs() < (table["share"] - table["peer_share"]).abs() + 1e-9).all()
    assert ((table["lo"] < -0.02) & (table["hi"] > 0.02)).all()


def of_one_kind(missed: tuple[int, ...], of: int) -> PeerComparison:
    """A step that technicians with equally many bleeds of one kind of work missed this often."""
    who = pl.Series([name for name in PEOPLE[: len(missed)] for _ in range(of)])
    hits = pl.Series([n < m for m in missed for n in range(of)])
    [peers] = compare_with_peers(who, CovariatePatterns(np.zeros((1, 0)), np.zeros(len(who), dtype=np.intp)), [hits])
    return peers


def test_shrinkage_averages_over_the_spread_as_a_plain_double_integral_does() -> None:
    """Spread and mean on a fine grid by scipy's normal density; 3 equal groups, so peers' mean varies by half as much."""
    peers = of_one_kind((12, 14, 22), 100)
    spreads, means = np.linspace(1e-4, 0.5, 1_500)[:, None, None], np.linspace(-0.6, 0.6, 600)[:, None]
    weight = norm.pdf(peers.deviation, means, np.hypot(spreads, peers.deviation_sd)).prod(axis=2).sum(axis=1)
    weight /= weight.sum()
    between = 1.5 * spreads[:, :, 0] ** 2
    pull = between / (between + peers.excess_sd**2)
    middle, sd = shrink_excess(peers, np.ones(3, dtype=bool))
    excess = peers.share - peers.peer_share
    assert middle == pytest.approx(weight @ pull * excess, rel=0.01, abs=1e-4)
    second_moment = weight @ (pull * peers.excess_sd**2 + (pull * excess) ** 2)
    assert sd == pytest.approx(np.sqrt(second_moment - (weight @ pull * excess) ** 2), rel=0.01)
    assert peers.deviation * 1.5 == pytest.approx(excess, abs=0.002)


def test_three_equal_technicians_are_named_in_at_most_one_log_in_twenty() -> None:
    """400 draws of 19 steps at shares from 3 to 30%: the lower limit of the share of logs that name somebody is 5% at most."""
    rng, false_alarms, p_values = np.random.default_rng(20), 0, []
    shares = np.linspace(0.03, 0.3, 19)
    for _ in range(400):
        parts = [of_one_kind(tuple(rng.binomial(300, share, 3)), 300) for share in shares]
        logs = [part.p_value for part in parts]
        adjusted = benjamini_hochberg(np.concatenate(logs))
        false_alarms += bool((adjusted <= 0.05).any())
        p_values.append(np.concatenate(logs))
    assert exact_binomial_limits(false_alarms, 400).lo <= 0.05
    assert np.mean(np.concatenate(p_values) <= 0.05) == pytest.approx(0.05, abs=0.006)


def test_habits_that_vary_by_month_name_nobody_in_most_logs() -> None:
    """6 equal technicians, 19 steps, 150 bleeds, months of 25 bleeds that vary (beta-binomial, dispersion 2.2)."""
    rng, false_alarms = np.random.default_rng(22), 0
    who, month = np.repeat(np.arange(6), 150), np.tile(np.repeat(np.arange(6), 25), 6)
    names, months, work = pl.Series(who).cast(pl.String), pl.Series(month), np.zeros(len(who), dtype=np.intp)
    for _ in range(40):
        share = rng.uniform(0.05, 0.3, 19)
        monthly = rng.beta(share * 19, (1 - share) * 19, (36, 19))[who * 6 + month]
        misses = [pl.Series(one) for one in (rng.random(monthly.shape) < monthly).T]
        parts = compare_with_peers(names, CovariatePatterns(np.zeros((1, 0)), work), misses, months)
        false_alarms += bool((benjamini_hochberg(np.concatenate([part.p_value for part in parts])) <= 0.05).any())
    assert false_alarms <= 6  # 2 expected at most; 37 without the design effect


def test_a_technician_who_misses_more_is_clear_and_the_others_are_not_named() -> None:
    rows = {"Wren": 45, "Alder": 15, "Flint": 17, "Sorrel": 13}
    table = technique_table(ready(*(entries(who, purged(missed, 150)) for who, missed in rows.items())), NO_COSTS)
    assert table.filter("clear", pl.col("excess") > 0).get_column("technician").to_list() == ["Wren"]
    assert row(table, "Wren")["q_value"] >= row(table, "Wren")["p_value"]


def test_what_a_miss_costs_orders_the_coaching_card() -> None:
    """Purge costs four times what seals do; Wren misses both far more than peers, so purge comes first."""
    rows = [{"kit_purged": 37 * n % 60 >= 30, "port_seals_checked": 37 * n % 60 >= 40} for n in range(60)]
    peers_rows = [{"kit_purged": 37 * n % 60 >= 6, "port_seals_checked": 37 * n % 60 >= 6} for n in range(60)]
    log = ready(entries("Wren", rows), *(entries(who, peers_rows) for who in ("Alder", "Flint", "Sorrel")))
    costs = pl.DataFrame(
        [
            {"step": "purge", "preventable_per_100": 2.0, "lo": 1.0, "hi": 3.0, "share_missed": 0.2},
            {"step": "seals", "preventable_per_100": 0.5, "lo": -0.5, "hi": 1.5, "share_missed": 0.2},
        ]
    )
    table = technique_table(log, costs)
    assert (row(table, "Wren")["coach_rank"], row(table, "Wren", "seals")["coach_rank"]) == (1, 2)
    assert row(table, "Wren", "reach")["coach_rank"] is None
    wren, yearly = row(table, "Wren"), 60 * 365.25 / log.bleeds.filter(technician="Wren")["age_days"].max()
    assert wren["preventable"] == pytest.approx(wren["excess"] * yearly * 0.1)  # 2 per 100 at a fifth missed
    excess_sd, cost_sd = (wren["hi"] - wren["excess"]) / 1.96, 2 / 3.92 / 20
    # the limits are those of a product of two normal draws, here by drawing them
    rng = np.random.default_rng(5)
    products = rng.normal(wren["excess"], excess_sd, 400_000) * rng.normal(0.1, cost_sd, 400_000) * yearly
    assert (wren["preventable_hi"] - wren["preventable"]) / 1.96 == pytest.approx(products.std(), rel=0.01)


def test_colleagues_are_compared_over_the_bleeds_that_count() -> None:
    """Wren missed far more than Alder in older bleeds, which no longer count, and no more in the last 150."""
    wren, alder = [*purged(120, 150), *purged(30, 150)], [*purged(30, 150), *purged(30, 150)]
    shop = {"shop": "Velmoor"}
    log = ready(*(entries(who, [row | shop for row in rows]) for who, rows in (("Wren", wren), ("Alder", alder))))
    assert row(technique_table(log, NO_COSTS), "Wren")["beyond_shop"] is False
    later = ready(
        *(entries(who, [row | shop for row in rows[::-1]]) for who, rows in (("Wren", wren), ("Alder", alder)))
    )
    assert row(technique_table(later, NO_COSTS), "Wren")["beyond_shop"] is True
