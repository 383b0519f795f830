"""How fast a bubble rises in brake fluid, and when one that fills the bore does not rise at all.

Valid for single bubbles of air in a still liquid, walls not felt (diameter below about a quarter of the bore).
"""

from __future__ import annotations

import math

GRAVITY_M_S2 = 9.81
CRITICAL_BOND_NUMBER = 0.842
"""On the tube's radius: F. P. Bretherton 1961, J. Fluid Mech. 10:166-188 (on the diameter: 3.368)."""


def stokes_speed_m_s(
    diameter_m: float, density_difference_kg_m3: float, viscosity_pa_s: float, gravity_m_s2: float = GRAVITY_M_S2
) -> float:
    """Terminal speed of a rigid sphere while the Reynolds number is well below 1 (Stokes 1851).

    A small bubble in fluid that is not perfectly clean behaves as a rigid sphere: this is the lower bound.
    """
    return density_difference_kg_m3 * gravity_m_s2 * diameter_m**2 / (18 * viscosity_pa_s)


def clean_bubble_speed_m_s(
    diameter_m: float, density_difference_kg_m3: float, viscosity_pa_s: float, gas_viscosity_pa_s: float = 1.81e-5
) -> float:
    """Terminal speed of a clean bubble at low Reynolds number (Hadamard 1911, Rybczynski 1911): up to 1.5 × Stokes."""
    k = gas_viscosity_pa_s / viscosity_pa_s
    return stokes_speed_m_s(diameter_m, density_difference_kg_m3, viscosity_pa_s) * 3 * (1 + k) / (2 + 3 * k)


def rigid_sphere_speed_m_s(
    diameter_m: float, density_kg_m3: float, density_difference_kg_m3: float, viscosity_pa_s: float
) -> float:
    """Terminal speed of a rigid sphere at any Reynolds number to 1.55e7 in Best's number.

    Source: R. Clift, J. R. Grace, M. E. Weber 1978, Bubbles, Drops, and Particles, table 5.3 (equation 5-15).
    """
    best = 4 * density_kg_m3 * density_difference_kg_m3 * GRAVITY_M_S2 * diameter_m**3 / (3 * viscosity_pa_s**2)
    return _reynolds(best) * viscosity_pa_s / (density_kg_m3 * diameter_m)


def bond_number(radius_m: float, density_kg_m3: float, surface_tension_n_m: float) -> float:
    """Weight against surface tension in a tube of that radius: rho g r² / sigma."""
    return density_kg_m3 * GRAVITY_M_S2 * radius_m**2 / surface_tension_n_m


def slug_rises(bore_mm: float, density_kg_m3: float, surface_tension_n_m: float) -> bool:
    """Whether a bubble that fills a vertical bore rises by itself (Bretherton 1961).

    Below the critical Bond number it stays where it is however long one waits: only moving fluid clears it.
    """
    return bond_number(bore_mm / 2000, density_kg_m3, surface_tension_n_m) >= CRITICAL_BOND_NUMBER


def _reynolds(best: float) -> float:
    if not 0 < best <= 1.55e7:
        raise ValueError(f"Best's number must be in (0, 1.55e7], got {best:g}: no correlation holds there")
    if best <= 73:
        return best / 24 - 1.7569e-4 * best**2 + 6.9252e-7 * best**3 - 2.3027e-10 * best**4
    w = math.log10(best)
    if best <= 580:
        return 10 ** (-1.7095 + 1.33438 * w - 0.11591 * w**2)
    return 10 ** (-1.81391 + 1.34671 * w - 0.12427 * w**2 + 0.006344 * w**3)
