"""Trapped air against Boyle's law.

Source: closed form. 0.100 ml at 101325 Pa to 3.000 MPa gauge loses 0.0967328 ml, which is 1.23164 mm of stroke of a
10 mm master piston (arithmetic).
"""

import numpy as np
import pytest

from analysis.physics import BrakeDimensions, trapped_air


def test_the_travel_of_a_tenth_of_a_millilitre_gives_it_back():
    brake = BrakeDimensions(np.array([5.0]), np.array([10.0]), np.array([20.0]))
    air = trapped_air(np.array([20.0 + 5 * 1.23164]), brake)
    assert air.ml[0] == pytest.approx(0.1, rel=5e-6)  # the stroke is printed to six digits
    assert air.lo_ml[0] < 0.1 < air.hi_ml[0]
