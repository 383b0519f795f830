"""What the shape of the times to return is said to mean, from times drawn with a known shape."""

import numpy as np
import pytest

from analysis.survival import weibull


def drawn(shape, bleeds=4000, seed=3, censored_after=200.0):
    days = np.random.default_rng(seed).weibull(shape, bleeds) * 400
    return np.minimum(days, censored_after), days <= censored_after


@pytest.mark.parametrize(("shape", "word"), [(0.6, "workmanship"), (1.6, "wear out"), (1.0, "too early to say")])
def test_the_shape_is_found_and_put_in_words(shape, word):
    found = weibull(*drawn(shape))
    assert found.shape_lo < shape < found.shape_hi
    assert word in found.interpretation


def test_days_times_ten_multiply_the_scale_and_leave_the_shape():
    days, back = drawn(0.8)
    one, ten = weibull(days + 1, back), weibull(10 * (days + 1), back)
    assert ten.shape == pytest.approx(one.shape, rel=1e-9)
    assert ten.scale_days == pytest.approx(10 * one.scale_days, rel=1e-9)


def test_returns_all_of_one_day_have_no_shape():
    assert weibull(np.full(50, 7.0), np.arange(50) < 20) is None


def test_days_with_how_many_bleeds_each_stands_for_are_those_bleeds_one_by_one():
    days, back = drawn(0.8)
    whole = np.ceil(days)
    kinds, number = np.unique(np.stack([whole, back]), axis=1, return_counts=True)
    one, together = weibull(whole, back), weibull(kinds[0], kinds[1] == 1, number.astype(float))
    for name in ("shape", "shape_lo", "scale_hi_days", "log_likelihood", "returns"):
        assert getattr(together, name) == pytest.approx(getattr(one, name), rel=1e-10)
