"""The Weibull fit against a handbook's worked example.

Source: NIST/SEMATECH e-Handbook 8.4.1.3: ten failures, ten units censored at 500 hours: characteristic life 606.5280,
shape 1.7208, log-likelihood -75.135. lifelines is the second opinion, standard errors too (124.911, 0.50215).
"""

import numpy as np
import pytest
from lifelines import WeibullFitter

from analysis.survival import weibull

HOURS = np.array([54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10, dtype=float)
FAILED = np.arange(20) < 10


def test_the_handbooks_example():
    fit = weibull(HOURS, FAILED)
    assert fit.scale_days == pytest.approx(606.5280, abs=1e-3)
    assert fit.shape == pytest.approx(1.7208, abs=1e-4)
    assert fit.log_likelihood == pytest.approx(-75.135, abs=5e-4)


def test_an_independent_library_agrees_on_fit_and_standard_errors():
    theirs = WeibullFitter().fit(HOURS, FAILED)
    fit = weibull(HOURS, FAILED)
    assert fit.scale_days == pytest.approx(theirs.lambda_, rel=1e-4)
    assert fit.shape == pytest.approx(theirs.rho_, rel=1e-4)
    shape_sd = np.log(fit.shape_hi / fit.shape_lo) / 2 / 1.96 * fit.shape
    scale_sd = np.log(fit.scale_hi_days / fit.scale_lo_days) / 2 / 1.96 * fit.scale_days
    assert shape_sd == pytest.approx(0.50215, rel=1e-3)
    assert scale_sd == pytest.approx(124.911, rel=1e-3)


def test_fewer_than_ten_returns_are_too_few():
    assert weibull(HOURS, np.arange(20) < 9) is None
