"""Every figure of an audit of an extreme log is finite and within its bounds, or left out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from analysis.audit import run_audit
from analysis.intake import read_log
from analysis.monitoring import cusum, log_likelihood_ratios
from analysis.rates import chance_limits, gamma_poisson, two_sided_p
from analysis.report import Report
from analysis.standard import built_in
from analysis.stats import exact_poisson_limits, wilson
from schemas import AUDIT_TABLES
from tests.extremes import workshops

BETWEEN_ZERO_AND_ONE = ("rate", "incidence", "shrunk_rate", "p_value", "q_value", "share", "share_missed", "risk")
SURROUNDING = ("rate", "incidence", "ratio", "shrunk_rate", "shrunk")
QUICK = ("all_back", "none_back", "a_step_decides", "one_of_each", "steps_go_together")


def audited(folder: Path, world: object, window_days: int | None = None) -> Report:
    usual = workshops.usual(np.random.default_rng(7))
    log = usual if world is workshops.usual else world(usual)  # type: ignore[operator]
    back = log.filter("back").select("bike_id", "brake", returned_at=pl.col("started_at").dt.offset_by("20d"))
    log.drop("back").write_csv(folder / "sessions.csv")
    back.with_columns(
        comeback_id=pl.concat_str(pl.lit("R"), pl.int_range(pl.len()).cast(pl.String)),
        complaint=pl.lit("soft_lever"),
        finding=pl.lit("air"),
    ).write_csv(folder / "comebacks.csv")
    return run_audit(read_log([str(folder)]), built_in(), window_days=window_days)


@pytest.mark.parametrize(
    "world",
    [
        pytest.param(one, marks=() if one.__name__ in QUICK else pytest.mark.slow, id=one.__name__)
        for one in workshops.WORLDS
    ],
)
def test_figures_are_finite_and_within_bounds_or_left_out(tmp_path: Path, world: object) -> None:
    report = audited(tmp_path, world)
    for name in AUDIT_TABLES:
        table: pl.DataFrame = getattr(report, name)
        for column in table.columns:
            values = table.get_column(column)
            if not values.dtype.is_float():
                continue
            message = values.drop_nulls()
            assert message.is_finite().all(), (name, column)
            if column in BETWEEN_ZERO_AND_ONE:
                assert message.is_between(0, 1).all(), (name, column)
    _in_order(report.rates, SURROUNDING)
    _in_order(report.steps.rename({"preventable_per_100": "x", "lo": "x_lo", "hi": "x_hi"}), ("x", "survival_estimate"))


def _in_order(table: pl.DataFrame, names: tuple[str, ...]) -> None:
    """Each estimate lies within its own interval."""
    for name in names:
        if f"{name}_lo" in table.columns and name in table.columns:
            difference = table.filter(
                (pl.col(f"{name}_lo") > pl.col(name) + 1e-9) | (pl.col(f"{name}_hi") < pl.col(name) - 1e-9)
            )
            assert difference.is_empty(), (name, difference)


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_window_longer_than_the_log_leaves_nothing_to_compare(tmp_path: Path) -> None:
    report = audited(tmp_path, workshops.usual, window_days=3650)
    assert report.rates.get_column("mature").sum() == 0


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_beginner_where_nobody_records_a_step_is_too_few_to_say(tmp_path: Path) -> None:
    rows = [
        f"S{i},B{i},front,{'New' if i > 90 and i % 2 else f'T{i % 3}'},2025-{1 + i // 10:02}-{1 + i % 10:02}"
        for i in range(120)
    ]
    (tmp_path / "log.csv").write_text("\n".join(["session_id,bike_id,brake,technician,started_at", *rows]) + "\n")
    report = run_audit(read_log([str(tmp_path / "log.csv")]), built_in())
    assert report.learners.select("technician", "verdict").rows() == [("New", "too_few")]


def test_nobody_coming_back_is_too_few_and_everybody_is_a_rate_of_one(tmp_path: Path) -> None:
    (tmp_path / "none").mkdir()
    none = audited(tmp_path / "none", workshops.none_back)
    assert set(none.steps["verdict"]) == {"too_few"}
    assert none.rates.filter(pl.col("kind") == "all")["rate"][0] == 0.0
    (tmp_path / "all").mkdir()
    assert audited(tmp_path / "all", workshops.all_back).rates.filter(pl.col("kind") == "all")["rate"][0] == 1.0


@pytest.mark.parametrize("rate", [1e-6, 1e-3, 0.5, 1 - 1e-6])
@pytest.mark.parametrize("bleeds", [1, 100, 10**6, 10**8])
def test_rates_from_one_in_a_million_to_nearly_all_have_finite_limits(rate: float, bleeds: int) -> None:
    count = float(round(rate * bleeds))
    o, e = np.array([0.0, count, count + 1]), np.full(3, max(rate * bleeds, 1e-9))
    matches = [*chance_limits(e), two_sided_p(o, e), two_sided_p(o, e, 0.1)]
    limits = exact_poisson_limits(o)
    shrunk = gamma_poisson(o, e)
    matches += [limits.lo, limits.hi, shrunk.ratio, *shrunk.draws(10, np.random.default_rng(0))]
    assert all(np.isfinite(values).all() for values in matches)
    assert ((matches[2] >= 0) & (matches[2] <= 1)).all()
    share = wilson(pl.Series([min(count, bleeds)]), pl.Series([float(bleeds)]))
    assert 0 <= share.lo[0] <= share.hi[0] <= 1


@pytest.mark.parametrize("risk", [1e-6, 0.01, 0.999999])
def test_charts_of_tiny_and_huge_risks_stay_finite(risk: float) -> None:
    risks = np.full(50, risk)
    for ratio in (2.0, 0.5):
        assert np.isfinite(cusum(log_likelihood_ratios(risks, np.ones(50), ratio))).all()
