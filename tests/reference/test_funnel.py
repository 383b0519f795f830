"""What chance explains of observed over expected, and how it widens, against published numbers.

Sources
- The tests of the R package FunnelPlotR: exact Poisson limits at 15, 20 and 30 expected; mean squared z of six units.
- D. J. Spiegelhalter 2005, Stat. Med. 24:1185-1202 and 2012 for the widening; tau² and the widened limits of the same six
  units recomputed from those formulas outside this project, winsorised and not.
"""

import numpy as np
import pytest
from statsmodels.stats.rates import test_poisson as poisson_test

from analysis.rates import chance_limits, overdispersion, two_sided_p

OBSERVED = np.array([100.0, 150, 180, 80, 120, 225])
EXPECTED = np.array([108.0, 112, 165, 95, 100, 220])


@pytest.mark.parametrize(
    ("level", "lower", "upper"),
    [
        (0.95, [0.5596924, 0.6108260, 0.6746958], [1.649348, 1.544419, 1.427562]),
        (0.998, [0.3862650, 0.4479107, 0.5289724], [2.082907, 1.902094, 1.702771]),
    ],
)
def test_exact_limits_about_one(level, lower, upper):
    lo, hi = chance_limits(np.array([15.0, 20, 30]), level)
    assert lo == pytest.approx(lower, abs=1e-6)
    assert hi == pytest.approx(upper, abs=1e-6)


def test_dispersion_of_six_units():
    result = overdispersion(OBSERVED, EXPECTED, winsorised=0)
    assert result.phi == pytest.approx(2.948033, abs=1e-6)
    assert result.tau2 == pytest.approx(0.0194775306, abs=1e-10)


def test_winsorised_dispersion_of_six_units():
    result = overdispersion(OBSERVED, EXPECTED, winsorised=0.1)
    assert result.phi == pytest.approx(2.149053, abs=1e-6)
    assert result.tau2 == pytest.approx(0.0121184915, abs=1e-10)


def test_limits_widen_by_tau_squared():
    lo, hi = chance_limits(EXPECTED[:1], tau2=0.0194775306)
    assert (lo[0], hi[0]) == pytest.approx((0.717307, 1.394104), abs=1e-6)


def test_underdispersed_units_do_not_widen_limits():
    assert overdispersion(np.full(8, 50.0), np.full(8, 50.0)).tau2 == 0


@pytest.mark.parametrize(("observed", "expected"), [(15, 20.0), (3, 9.5), (30, 14.0)])
def test_a_mid_p_value_is_close_to_the_exact_one_and_not_above_it(observed, expected):
    mid = float(two_sided_p(np.array([float(observed)]), np.array([expected]))[0])
    exact = float(poisson_test(observed, 1, value=expected, method="exact-c").pvalue)
    half = float(poisson_test(observed, 1, value=expected, method="midp-c").pvalue)
    assert mid == pytest.approx(half, rel=1e-9)  # the same rule in another library
    assert mid < exact


def test_a_p_value_widens_to_the_negative_binomial():
    lone = two_sided_p(np.array([30.0]), np.array([14.0]))[0]
    assert two_sided_p(np.array([30.0]), np.array([14.0]), tau2=1e-9)[0] == pytest.approx(lone, rel=1e-4)
    assert two_sided_p(np.array([30.0]), np.array([14.0]), tau2=0.2)[0] > lone
