"""Hazard ratios of named columns: Rossi's arrests against an independent library, and names that a mechanic reads."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from lifelines.datasets import load_rossi
from statsmodels.duration.hazard_regression import PHReg

from analysis.errors import UserError
from analysis.survival import WeibullModel, fit_survival

ROSSI = load_rossi()
FRAME = pl.DataFrame({name: ROSSI[name].to_numpy() for name in ROSSI.columns})
COLUMNS = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]
PUBLISHED = {"fin": 0.684, "age": 0.944, "race": 1.369, "wexp": 0.861, "mar": 0.648, "paro": 0.919, "prio": 1.096}
"""J. Fox 2002, Cox Proportional-Hazards Regression for Survival Data (appendix to An R and S-PLUS Companion), exp(coef),
from memory; fitted with Efron's ties, ours with Breslow's."""


def test_hazard_ratios_are_the_published_ones() -> None:
    table = fit_survival(FRAME, COLUMNS, days="week", event="arrest").summary()
    assert table.select("n", "events").unique().rows() == [(432, 114)]
    assert dict(table.select("term", "hazard_ratio").iter_rows()) == pytest.approx(PUBLISHED, abs=2e-3)


def test_intervals_and_p_values_equal_an_independent_fit() -> None:
    table = fit_survival(FRAME, COLUMNS, days="week", event="arrest").summary()
    x = ROSSI[COLUMNS].to_numpy(dtype=float)
    theirs = PHReg(
        ROSSI["week"].to_numpy(), x - x.mean(axis=0), status=ROSSI["arrest"].to_numpy(), ties="breslow"
    ).fit()
    assert table["p"].to_numpy() == pytest.approx(theirs.pvalues, abs=1e-5)
    assert np.log(table.select("lo", "hi").to_numpy()) == pytest.approx(theirs.conf_int(), abs=1e-4)


def test_errors_by_cluster_equal_an_independent_fit() -> None:
    group = np.arange(432) // 6
    ours = fit_survival(
        FRAME.with_columns(group=pl.Series(group)), COLUMNS, days="week", event="arrest", cluster="group"
    ).summary()
    x = ROSSI[COLUMNS].to_numpy(dtype=float)
    model = PHReg(ROSSI["week"].to_numpy(), x - x.mean(axis=0), status=ROSSI["arrest"].to_numpy(), ties="breslow")
    theirs = model.fit(groups=group)
    assert np.log(ours.select("lo", "hi").to_numpy()) == pytest.approx(theirs.conf_int(), abs=2e-3)


def test_terms_read_as_fields_with_units_and_levels() -> None:
    rng = np.random.default_rng(3)
    hose = rng.normal(900, 100, 400).round()
    frame = pl.DataFrame(
        {
            "hose_mm": [None, *hose[1:]],
            "brake": rng.choice(["front", "rear"], 400),
            "pads_out": rng.random(400) < 0.5,
            "days": rng.integers(1, 90, 400),
            "back": rng.random(400) < 0.3,
        }
    )
    fitted = fit_survival(frame, ["hose_mm", "brake", "pads_out"], days="days", event="back", model=WeibullModel)
    assert fitted.summary()["term"].to_list() == ["hose length, per mm", "brake: rear (against front)", "pads out"]
    assert (fitted.n, fitted.left_out) == (399, 1)


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (FRAME.drop("age"), "no column age"),
        (FRAME.with_columns(age=pl.lit(30)), "age has the same value"),
        (FRAME.with_columns(arrest=pl.lit(0)), "arrest is never true"),
    ],
)
def test_what_cannot_be_fitted_is_one_clear_error(frame: pl.DataFrame, words: str) -> None:
    with pytest.raises(UserError, match=words):
        fit_survival(frame, ["age", "fin"], days="week", event="arrest")
