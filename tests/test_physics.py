"""Trapped air and flushed volume at their limits."""

import numpy as np
import pytest

from analysis.physics import BrakeDimensions, flush_ratio, trapped_air


def brake(reference_mm):
    return BrakeDimensions(np.array([5.0]), np.array([10.0]), np.array([reference_mm]))


def test_travel_equal_to_the_reference_is_no_air_with_an_upper_limit_above_zero():
    air = trapped_air(np.array([20.0]), brake(20.0))
    assert air.ml[0] == 0
    assert air.hi_ml[0] > 0


def test_an_unknown_reference_gives_an_unknown_volume():
    assert np.isnan(trapped_air(np.array([30.0]), brake(np.nan)).ml[0])


def test_a_hose_of_two_millimetres_and_a_metre_holds_about_three_millilitres():
    assert flush_ratio(np.array([np.pi]), np.array([2.0]), np.array([1000.0]), 0.0)[0] == pytest.approx(1.0)
