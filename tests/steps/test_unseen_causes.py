"""Tests for unmeasured confounders, and benchmarks against recorded groups."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm

from analysis.standard import built_in
from analysis.steps.design_matrix import build_design
from analysis.steps.ranking import robust_verdicts
from analysis.steps.table import _benchmark_multiples
from analysis.steps.unseen_causes import (
    ConfounderTest,
    UnseenCauses,
    _benchmark_groups,
    _ResidualVariances,
    _strongest_group_bias,
    unseen_causes,
)
from synthetic import scenario_workshop, simulate
from tests.simulated_logs import prepared_of

STEPS = tuple(step.id for step in built_in().steps)


def causes(family, seed=2, sessions=3000):
    data = prepared_of(simulate(scenario_workshop(family, sessions), seed))
    return unseen_causes(data, build_design(data, STEPS))


def test_entries_completed_after_the_return_are_noticed():
    late = causes("misses recorded once the bike is back")
    assert late.retro.is_significant
    assert late.shares[0] < late.shares[1] / 2
    assert any("completed after the return" in note for note in late.notes)


def test_bubbles_that_later_steps_cannot_cause_show_an_unseen_difficulty():
    assert causes("unseen difficulty").bubbles.p_value < 1e-3


def test_nothing_is_suspected_in_an_ordinary_log():
    usual = causes("base")
    assert not usual.suspected
    assert usual.notes == ()


def test_too_few_other_returns_calibrate_nothing():
    usual = causes("base", sessions=1000)
    assert usual.error is None
    assert np.isnan(usual.calibrated_p_values(np.ones((10, 2)))).all()


def test_a_signal_counts_at_its_level_only():
    assert ConfounderTest(0.3, 0.01).is_significant
    assert not ConfounderTest(0.3, 0.011).is_significant
    assert not ConfounderTest().is_significant


def test_adjusted_partial_r2_equals_that_of_two_regressions():
    rng = np.random.default_rng(3)
    x = rng.standard_normal((500, 4))
    y = x @ [0.4, 0.3, 0.2, 0.0] + rng.standard_normal(500)
    ours = _ResidualVariances(np.column_stack([x, y])).adjusted_partial_r2(4, [0, 1], [])
    full, short = (sm.OLS(y, sm.add_constant(x[:, columns])).fit() for columns in ([0, 1, 2, 3], [2, 3]))
    assert ours == pytest.approx(1 - full.mse_resid / short.mse_resid, rel=1e-4)  # a ridge of 0.01


def test_calibrated_p_values_use_the_systematic_error():
    one = UnseenCauses(
        ConfounderTest(), ConfounderTest(), ConfounderTest(), (0, 0), (0.2, 0.0), np.ones(1), ("",), np.ones(1)
    )
    draws = np.random.default_rng(4).normal(0.2, 0.1, (4000, 1))
    assert one.calibrated_p_values(draws)[0] > 0.9


def test_who_where_and_when_are_benchmarks_with_the_means_of_the_technicians():
    names = ("purge", "shop 1", "technician Ann", "mean purge", "bleeds that day", "day 1", "day 2", "bubbles_first")
    assert _benchmark_groups(names) == {
        "shop": [1], "technician": [2, 3], "bleeds_that_day": [4], "calendar_time": [5, 6]
    }  # fmt: skip


def test_columns_that_depend_on_each_other_count_once():
    rng = np.random.default_rng(5)
    person = rng.integers(0, 6, 800)
    dummies = np.eye(6)[person]
    means = dummies @ rng.standard_normal((6, 9))  # nine columns more, nothing new
    y = person * 0.2 + rng.standard_normal(800)
    ours = _ResidualVariances(np.column_stack([dummies, means, y])).adjusted_partial_r2(15, list(range(15)), [])
    full = sm.OLS(y, dummies).fit()
    assert ours == pytest.approx(1 - full.mse_resid / y.var(ddof=1), rel=1e-3)  # adjusted R²


def test_hurry_by_technician_is_the_strongest_benchmark():
    """Who misses the step also misses what is not recorded: only the technician shows it."""
    rng = np.random.default_rng(6)
    log = prepared_of(simulate(scenario_workshop("base", 1500), 7))
    design = build_design(log, STEPS)
    person = [i for i, name in enumerate(design.names) if name.startswith("technician ")]
    hurried = design.x[:, person[0]] > 0
    step, missed = design.steps.index("settle"), rng.random(len(hurried)) < np.where(hurried, 0.6, 0.1)
    x = design.x.copy()
    x[:, step] = missed - missed.mean()
    back = pl.Series("came_back", rng.random(len(hurried)) < np.where(hurried, 0.4, 0.05))
    bias, benchmark, _ = _strongest_group_bias(
        replace(log, bleeds=log.bleeds.with_columns(back)), replace(design, x=x, missed=design.missed)
    )
    assert benchmark[step] in ("technician", "shop")
    assert bias[step] > 0


def test_without_a_benchmark_nothing_is_assessed_and_no_step_is_said_to_lead_to_comebacks():
    rng = np.random.default_rng(8)
    log = prepared_of(simulate(scenario_workshop("base", 1000), 9))
    design = build_design(log, STEPS)
    alone = replace(
        design, x=rng.random((len(design.x), design.step_count)), names=design.steps, blocks=design.blocks[:1]
    )
    bias, benchmark, scale = _strongest_group_bias(log, alone)
    assert np.isnan(bias).all()
    assert set(benchmark) == {""}
    nothing = UnseenCauses(ConfounderTest(), ConfounderTest(), ConfounderTest(), (0, 0), None, bias, benchmark, scale)
    times = _benchmark_multiples(np.ones(len(bias)), nothing)
    assert set(robust_verdicts(["costs_comebacks"] * len(bias), times, suspected=False)) == {"goes_with_comebacks"}


def test_the_note_on_bubbles_names_the_other_explanation_and_concludes_nothing_more():
    bubbles = UnseenCauses(
        ConfounderTest(), ConfounderTest(0.3, 0.001), ConfounderTest(), (0, 0), None, np.ones(1), ("",), np.ones(1)
    )
    text = " ".join(bubbles.notes)
    assert "many bubbles take so much time that steps at the end are left out" in text
    assert "may cause both" in text
    assert "therefore" not in text
