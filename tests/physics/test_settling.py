"""Waiting against the time a bubble needs."""

import numpy as np
import pytest

from analysis.physics import FLUIDS, Measures, flush_ratio, rise_minutes, trapped_air, waiting_clears_slugs


def test_a_small_bubble_rises_slower_in_the_cold():
    assert rise_minutes(1500, "mineral", 5) > rise_minutes(1500, "mineral", 30)


def test_waiting_never_clears_a_slug_from_a_brake_hose():
    assert not any(waiting_clears_slugs(2.2, fluid) for fluid in FLUIDS)


def test_no_excess_travel_is_no_air_but_the_interval_still_says_how_little_is_known():
    air = trapped_air(np.array([20.0]), Measures(np.array([5.0]), np.array([10.0]), np.array([20.0])))
    assert air.ml[0] == 0
    assert air.hi_ml[0] > 0


def test_an_unknown_reference_gives_an_unknown_volume():
    assert np.isnan(
        trapped_air(np.array([30.0]), Measures(np.array([5.0]), np.array([10.0]), np.array([np.nan]))).ml[0]
    )


def test_a_hose_of_two_millimetres_and_a_metre_holds_about_three_millilitres():
    assert flush_ratio(np.array([np.pi]), np.array([2.0]), np.array([1000.0]), 0.0)[0] == pytest.approx(1.0)


def test_a_temperature_outside_the_line_is_refused():
    with pytest.raises(ValueError, match="temperature_c"):
        FLUIDS["mineral"].viscosity_pa_s(200)
