"""Gauge studies against the measurement systems analysis manual's worked example.

Source: the 10 parts × 3 appraisers × 3 trials example of the manual (4th edition), its reduced (interaction pooled)
and full results as quoted in two public test suites and recomputed: reduced EV .199933, AV .226838, GRR .302373,
PV 1.042327, TV 1.0853, 4 categories (4.86 cut); full EV .214435, AV .228304, GRR .313217, PV 1.043395;
interaction F .434, p .974. statsmodels' anova_lm is the second opinion on the mean squares.
"""

import numpy as np
import pandas
import polars as pl
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from analysis.plan import gauge_study

FIRST = """.29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36 .41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
.64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31"""
SECOND = """.08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68 .25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
.07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50"""
THIRD = """.04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49 -.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
-.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16"""
READINGS = pl.DataFrame(
    [
        {"item": f"part {i % 10:02d}", "technician": who, "reading": float(value)}
        for who, text in (("A", FIRST), ("B", SECOND), ("C", THIRD))
        for i, value in enumerate(text.split())
    ]
)


def spread(study):
    return dict(study.table.select("source", "sd").iter_rows())


def test_the_reduced_study_matches_the_manual():
    study = gauge_study(READINGS, np.random.default_rng(1))
    sd = spread(study)
    assert study.interaction_pooled
    assert study.interaction_p == pytest.approx(0.974, abs=5e-4)
    assert sd["repeatability"] == pytest.approx(0.199933, abs=1e-6)
    assert sd["reproducibility"] == pytest.approx(0.226838, abs=1e-6)
    assert sd["gauge"] == pytest.approx(0.302373, abs=1.5e-6)  # the print is off in its last digit
    assert sd["items"] == pytest.approx(1.042327, abs=1e-6)
    assert sd["total"] == pytest.approx(1.0853, abs=5e-6)
    assert study.distinct_categories == 4


def test_the_full_study_keeps_the_interaction():
    sd = spread(gauge_study(READINGS, np.random.default_rng(1), pool_above_p=1))
    assert sd["repeatability"] == pytest.approx(0.214435, abs=1e-6)
    assert sd["reproducibility"] == pytest.approx(0.228304, abs=1e-6)
    assert sd["gauge"] == pytest.approx(0.313217, abs=1e-6)
    assert sd["items"] == pytest.approx(1.043395, abs=1e-6)


def test_the_mean_squares_agree_with_an_independent_library():
    table = anova_lm(
        ols("reading ~ C(item) * C(technician)", pandas.DataFrame(READINGS.to_dict(as_series=False))).fit()
    )
    repeat_variance = table.loc["Residual", "mean_sq"]
    study = gauge_study(READINGS, np.random.default_rng(1), pool_above_p=1)
    assert spread(study)["repeatability"] == pytest.approx(repeat_variance**0.5, rel=1e-12)


def test_shares_are_of_the_tolerance_when_one_is_given():
    table = gauge_study(READINGS, np.random.default_rng(1), tolerance=8.0).table
    gauge = table.filter(pl.col("source") == "gauge").row(0, named=True)
    assert gauge["share_of_tolerance"] == pytest.approx(6 * gauge["sd"] / 8)
    assert gauge["share_of_total"] == pytest.approx(0.279, abs=5e-4)  # the manual prints 27.9%


def test_with_a_few_readings_missing_reml_stays_close_to_the_balanced_result():
    study = gauge_study(READINGS.gather_every(1).filter(pl.int_range(pl.len()) % 17 != 3), np.random.default_rng(1))
    sd = spread(study)
    assert not study.balanced
    assert sd["repeatability"] == pytest.approx(0.1999, rel=0.1)  # a fifteenth of the readings is gone
    assert sd["items"] == pytest.approx(1.0423, rel=0.1)
