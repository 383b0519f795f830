"""The interpretation of the shape, from times simulated with a known one."""

import numpy as np
import pytest

from analysis.survival import weibull


def simulated(shape, bleeds=4000, seed=3, censored_after=200.0):
    days = np.random.default_rng(seed).weibull(shape, bleeds) * 400
    return np.minimum(days, censored_after), days <= censored_after


@pytest.mark.parametrize(
    ("shape", "word"),
    [
        (0.6, "workmanship faults often do (and as a mix of high and low risks does)"),
        (1.6, "often the case with parts that wear out"),
        (1.0, "too early to say"),
    ],
)
def test_the_shape_is_estimated_and_interpreted(shape, word):
    fit = weibull(*simulated(shape))
    assert fit.shape_lo < shape < fit.shape_hi
    assert word in fit.interpretation


def test_days_times_ten_multiply_the_scale_and_leave_the_shape():
    days, back = simulated(0.8)
    one, ten = weibull(days + 1, back), weibull(10 * (days + 1), back)
    assert ten.shape == pytest.approx(one.shape, rel=1e-9)
    assert ten.scale_days == pytest.approx(10 * one.scale_days, rel=1e-9)


def test_returns_all_on_one_day_have_no_shape():
    assert weibull(np.full(50, 7.0), np.arange(50) < 20) is None


def test_weighted_days_equal_the_bleeds_they_represent():
    days, back = simulated(0.8)
    whole = np.ceil(days)
    kinds, number = np.unique(np.stack([whole, back]), axis=1, return_counts=True)
    one, together = weibull(whole, back), weibull(kinds[0], kinds[1] == 1, number.astype(float))
    for name in ("shape", "shape_lo", "scale_hi_days", "log_likelihood", "returns"):
        assert getattr(together, name) == pytest.approx(getattr(one, name), rel=1e-10)
