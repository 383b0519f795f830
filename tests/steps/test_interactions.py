"""Declared interactions: detected where a miss does harm on that work only, not where it harms everywhere."""

import numpy as np
import polars as pl
import pytest

from analysis.steps import build_design, interaction_notes, interactions
from tests.rates.bare import bare

BLEEDS = 6000


def shop(there, elsewhere, seed=11):
    """Bleeds whose hazard a missed `cycles` multiplies by e^there inside the frame, by e^elsewhere outside."""
    rng = np.random.default_rng(seed)
    inside, missed = rng.random(BLEEDS) < 0.4, rng.random(BLEEDS) < 0.3
    log_hazard = 0.4 * inside + missed * np.where(inside, there, elsewhere)
    days = np.ceil(rng.exponential(2500 * np.exp(-log_hazard)))
    age = rng.integers(100, 500, BLEEDS)
    prepared = bare(
        days <= 90,
        age_days=age,
        return_days=np.where(days <= age, days, np.nan),
        missed={step.id: pl.Series([None] * BLEEDS, dtype=pl.Boolean) for step in STEPS} | {"cycles": missed},
        hose_route=np.where(inside, "internal", "external").tolist(),
    )
    numbers = {name: pl.lit(None, pl.Float64) for name in ("hose_mm", "shop_temp_c", "piston_pairs")}
    bleeds = prepared.bleeds.with_columns(**numbers, bleeds_that_day=pl.lit(1, pl.Int64))
    return type(prepared)(bleeds, prepared.missed, prepared.standard, prepared.as_of, prepared.window_days)


STEPS = bare([True]).standard.steps


def cycles_row(data):
    return interactions(data, build_design(data, ("cycles",))).filter(pl.col("step") == "cycles").row(0, named=True)


def test_a_miss_that_harms_only_on_internal_hoses_differs():
    row = cycles_row(shop(there=1.2, elsewhere=0.0))
    assert row["verdict"] == "differs"
    assert row["ratio_there_lo"] < np.exp(1.2) < row["ratio_there_hi"]
    assert row["ratio_elsewhere_lo"] < 1 < row["ratio_elsewhere_hi"]


def test_a_miss_that_harms_equally_everywhere_is_not_an_interaction():
    row = cycles_row(shop(there=0.8, elsewhere=0.8))
    assert row["verdict"] == "no_sign"


def test_the_ratios_equal_an_independent_cox_fit():
    """Independent library: statsmodels PHReg (Breslow ties). The ridge of prior standard deviation 2 moves them < 2%."""
    from statsmodels.duration.hazard_regression import PHReg

    prepared = shop(there=1.2, elsewhere=0.3)
    bleeds, missed = prepared.bleeds, prepared.missed.get_column("cycles").to_numpy().astype(float)
    inside = (bleeds.get_column("hose_route") == "internal").to_numpy().astype(float)
    x = np.column_stack([missed, inside, missed * inside])
    fit = PHReg(bleeds.get_column("days_at_risk").to_numpy(), x,
                status=(bleeds.get_column("end") == "return").to_numpy(), ties="breslow").fit()  # fmt: skip
    row = cycles_row(prepared)
    assert row["ratio_elsewhere"] == pytest.approx(np.exp(fit.params[0]), rel=0.02)
    assert row["ratio_there"] == pytest.approx(np.exp(fit.params[0] + fit.params[2]), rel=0.02)


def test_without_a_design_every_declared_pair_is_too_few():
    table = interactions(shop(0.0, 0.0), None)
    assert set(table.get_column("verdict")) == {"too_few"}
    assert interaction_notes(table) == ()


def test_a_pair_that_differs_has_a_sentence():
    table = interactions(shop(1.2, 0.0), build_design(shop(1.2, 0.0), ("cycles",)))
    (sentence,) = interaction_notes(table)
    assert "where hose routing is internal" in sentence
