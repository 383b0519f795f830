"""Robustness to unmeasured confounders and calibrated p-values against published figures.

Sources
- C. Cinelli & C. Hazlett 2020, J. R. Stat. Soc. B 82:39-67, the Darfur example: estimate .09731582, error .02325654, 783
  degrees of freedom; partial R² .02187309, robustness value .1387764, at the 5% level .07625797.
- M. J. Schuemie et al. 2014, Stat. Med. 33:209-218, the R package EmpiricalCalibration: estimates .1 and .3 with errors .05 and
  .1 against a null of mean 0 and standard deviation 0 give p .045500266 and .002699796.
- statsmodels' least squares: the bias formula is exact for a variable that was left out.
"""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from analysis.stats import (
    benchmark_r2,
    calibrated_p_value,
    omitted_variable_bias,
    robustness_value,
    systematic_error,
)

ESTIMATE, ERROR, DEGREES = 0.09731582, 0.02325654, 783
T = ESTIMATE / ERROR


def partial_r2(t: float, degrees_of_freedom: float) -> float:
    return t * t / (t * t + degrees_of_freedom)


def test_robustness_value_of_the_darfur_example():
    assert robustness_value(T, DEGREES) == pytest.approx(0.1387764, rel=1e-6)


def test_robustness_value_at_the_five_percent_level():
    critical = stats.t.ppf(0.975, DEGREES - 1) / np.sqrt(DEGREES - 1)
    remaining = (T / np.sqrt(DEGREES) - critical) * np.sqrt(DEGREES)
    assert robustness_value(remaining, DEGREES) == pytest.approx(0.07625797, rel=1e-6)


def test_an_unseen_cause_of_that_strength_removes_the_estimate():
    value = robustness_value(T, DEGREES)
    assert omitted_variable_bias(value, value, ERROR, DEGREES) == pytest.approx(ESTIMATE, rel=1e-9)


def test_no_estimate_has_no_robustness():
    assert robustness_value(-1.0, DEGREES) == 0


@pytest.fixture(scope="module")
def regressions():
    """Treatment d, covariate z that is left out, covariate x and outcome y; the fits with and without z."""
    rng = np.random.default_rng(8)
    x, z = rng.standard_normal((2, 400))
    d = 0.6 * z + 0.3 * x + rng.standard_normal(400)
    y = 0.5 * d + 0.8 * z - 0.4 * x + rng.standard_normal(400)
    full = sm.OLS(y, sm.add_constant(np.column_stack([d, x, z]))).fit()
    short = sm.OLS(y, sm.add_constant(np.column_stack([d, x]))).fit()
    treatment = sm.OLS(d, sm.add_constant(np.column_stack([x, z]))).fit()
    return full, short, treatment


def test_the_bias_of_a_variable_left_out_is_exact(regressions):
    full, short, treatment = regressions
    with_outcome = partial_r2(full.tvalues[3], full.df_resid)
    with_treatment = partial_r2(treatment.tvalues[2], treatment.df_resid)
    bias = omitted_variable_bias(with_treatment, with_outcome, short.bse[1], short.df_resid)
    assert bias == pytest.approx(short.params[1] - full.params[1], rel=1e-9)


def test_a_benchmark_without_any_link_gives_no_bias():
    assert benchmark_r2(0.0, 0.2) == (0.0, pytest.approx(0.25))
    assert benchmark_r2(0.2, 0.0)[1] == 0


def test_calibrated_p_values_against_no_systematic_error():
    assert calibrated_p_value([0.1, 0.3], [0.05, 0.1], 0.0, 0.0) == pytest.approx([0.045500266, 0.002699796], rel=1e-6)


def test_systematic_error_of_many_negative_controls():
    rng = np.random.default_rng(9)
    errors = rng.uniform(0.05, 0.2, 4000)
    estimates = 0.2 + 0.15 * rng.standard_normal(4000) + errors * rng.standard_normal(4000)
    assert systematic_error(estimates, errors) == (pytest.approx(0.2, abs=0.01), pytest.approx(0.15, abs=0.02))
