"""AIPW against closed forms and published results.

Sources: the 200-row table of zEpid's own tests (P. Zivich, zEpid, tests/test_gformula.py), answers calculated by hand; M. D.
Cattaneo 2010, J. Econometrics 155:138-154, birth weights as shipped with statsmodels, with Stata's `teffects aipw` in
statsmodels' own tests; twenty gods of M. A. Hernán & J. M. Robins, What If, tables 1.1 and 2.2 (cells from memory, the
book's answer is that exposure does nothing).
"""

from pathlib import Path

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
import statsmodels.treatment.tests.results as shipped

from analysis.steps import aipw_terms

ZEPID = ((0, 0, 30, 75), (0, 1, 28, 50), (1, 0, 22, 50), (1, 1, 15, 25))
GODS = ((0, 0, 1, 4), (0, 1, 1, 4), (1, 0, 2, 3), (1, 1, 6, 9))


def expanded(cells):
    """Rows of (stratum, exposed, outcome) from (stratum, exposed, events, rows)."""
    rows = [(level, a, int(k < events)) for level, a, events, n in cells for k in range(n)]
    return np.array(rows, dtype=float).T


def by_cell(level, y, inside):
    """The mean of y inside, for each row's own stratum."""
    return np.select([level == value for value in (0, 1)], [y[inside & (level == value)].mean() for value in (0, 1)])


def prevented(cells, *, risk_is_right=True, chance_is_right=True):
    level, a, y = expanded(cells)
    risk = by_cell(level, y, a == 0) if risk_is_right else np.full(len(y), 0.3)
    chance = by_cell(level, a, a >= 0) if chance_is_right else np.full(len(y), 0.2)
    return aipw_terms(y, a, np.ones_like(a), risk, chance).mean()


def test_closed_form_of_two_strata():
    assert prevented(ZEPID) == pytest.approx(0.475 - 0.415, abs=1e-12)  # arithmetic
    assert prevented(ZEPID) / 0.475 == pytest.approx(0.1263158, abs=1e-7)  # as printed


@pytest.mark.parametrize("wrong", ["risk_is_right", "chance_is_right"])
def test_either_model_may_be_wrong(wrong):
    assert prevented(ZEPID, **{wrong: False}) == pytest.approx(0.06, abs=1e-12)  # arithmetic


def test_twenty_gods_no_effect():
    assert prevented(GODS) == pytest.approx(0.0, abs=1e-12)  # arithmetic


def test_birth_weights_without_smoking_equal_statas():
    births = pl.read_csv(Path(shipped.__file__).parent / "cataneo2.csv")
    y, a = births["bweight"].to_numpy().astype(float), births["mbsmoke_"].to_numpy().astype(float)
    outcome = sm.add_constant(births.select("prenatal1_", "mmarried_", "mage", "fbaby_").to_numpy().astype(float))
    habit = births.select("mmarried_", "mage", (pl.col("mage") ** 2).alias("square"), "fbaby_", "medu")
    habit = sm.add_constant(habit.to_numpy().astype(float))
    risk = sm.OLS(y[a == 0], outcome[a == 0]).fit().predict(outcome)
    chance = sm.Probit(a, habit).fit(disp=0).predict(habit)
    shares = aipw_terms(y, a, np.ones_like(a), risk, chance)
    assert y.mean() - shares.mean() == pytest.approx(3403.355253, rel=1e-7)  # Stata stops its search a little earlier
