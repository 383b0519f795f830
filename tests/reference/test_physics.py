"""Physics against published numbers.

Sources
- Boyle's law, closed form: 0.100 ml at 101325 Pa to 3.000 MPa gauge loses 0.0967328 ml, 1.23164 mm of a 10 mm master
  piston (arithmetic).
- F. P. Bretherton 1961, J. Fluid Mech. 10:166-188, abstract: no rise in a vertical tube if rho g r²/sigma < 0.842.
- Stokes: the drag tests of the `fluids` library, 70 µm, 2600 against 1000 kg/m³, 0.1 Pa·s: 4.271340888888888e-05 m/s.
- Hadamard-Rybczynski: air in a 15 mPa·s fluid rises 1.499092 × Stokes (closed form, recomputed).
- R. Clift, J. R. Grace, M. E. Weber 1978 equation 5-15 as tested in the open-source plume model TAMOC: d 1e-4 m,
  999.194667977339 kg/m³ against 2.4134402697361361, 0.0011383697567284897 Pa·s: 0.004577842602244148 m/s.
- 49 CFR 571.116: viscosity limits of DOT 3, DOT 4, DOT 5.1 at -40 and 100 °C (read in secondary texts).
- Bond number: the core tests of the `fluids` library, 1000 kg/m³ less 1.2, 0.0589 N/m, length 2 m, g 9.80665.
"""

import numpy as np
import pytest

from analysis.physics import (
    CRITICAL_BOND_NUMBER,
    FLUIDS,
    Measures,
    bond_number,
    clean_bubble_speed_m_s,
    lost_volume_ml,
    rigid_sphere_speed_m_s,
    slug_rises,
    stokes_speed_m_s,
    trapped_air,
)


def test_a_tenth_of_a_millilitre_of_air_loses_what_boyle_says():
    assert lost_volume_ml(np.array([0.1]), 3.0e6)[0] == pytest.approx(0.0967328, abs=5e-8)  # printed digits


def test_the_travel_of_a_tenth_of_a_millilitre_gives_it_back():
    brake = Measures(np.array([5.0]), np.array([10.0]), np.array([20.0]))
    air = trapped_air(np.array([20.0 + 5 * 1.23164]), brake)
    assert air.ml[0] == pytest.approx(0.1, rel=5e-6)  # the stroke is printed to six digits
    assert air.lo_ml[0] < 0.1 < air.hi_ml[0]


def test_stokes_speed_of_a_small_sphere():
    assert stokes_speed_m_s(70e-6, 1600, 0.1, 9.80665) == pytest.approx(4.271340888888888e-05, rel=1e-6)


def test_a_clean_bubble_is_half_again_as_fast_as_a_rigid_one():
    ratio = clean_bubble_speed_m_s(1e-4, 860, 0.015, 1.8182e-5) / stokes_speed_m_s(1e-4, 860, 0.015)
    assert ratio == pytest.approx(1.499092, abs=5e-6)  # gas viscosity is known to four digits


def test_a_rigid_sphere_follows_clift_grace_and_weber():
    density = 999.194667977339
    speed = rigid_sphere_speed_m_s(1e-4, density, density - 2.4134402697361361, 0.0011383697567284897)
    assert speed == pytest.approx(0.004577842602244148, rel=1e-12)


def test_the_critical_tube_for_water_is_two_and_a_half_millimetres_in_radius():
    assert bond_number(2.502e-3, 998.2, 0.0728) == pytest.approx(CRITICAL_BOND_NUMBER, rel=1e-3)  # radius to 4 digits


@pytest.mark.parametrize("fluid", FLUIDS.values(), ids=lambda fluid: fluid.name)
@pytest.mark.parametrize("bore_mm", [2.0, 2.5])
def test_a_slug_in_a_brake_hose_never_rises_by_itself(fluid, bore_mm):
    assert not slug_rises(bore_mm, fluid.density_kg_m3, fluid.surface_tension_n_m)


@pytest.mark.parametrize(("fluid", "cold"), [("dot3", 1500), ("dot4", 1800), ("dot5.1", 900)])
def test_the_dot_grades_meet_their_viscosity_limits(fluid, cold):
    assert FLUIDS[fluid].kinematic_viscosity_mm2_s(-40) == pytest.approx(cold, rel=1e-9)
    assert FLUIDS[fluid].kinematic_viscosity_mm2_s(100) == pytest.approx(1.5, rel=1e-9)


def test_the_bond_number_matches_a_general_library():
    density = (1000 - 1.2) * 9.80665 / 9.81  # that library uses standard gravity and the density difference
    assert bond_number(2, density, 0.0589) == pytest.approx(665187.2339558573, rel=1e-12)
