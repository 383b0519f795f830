"""How long a bubble needs to rise through the hose, held against how long the mechanic waited."""

from __future__ import annotations

from analysis.physics.bubbles import rigid_sphere_speed_m_s, slug_rises
from analysis.physics.fluids import FLUIDS

SMALL_BUBBLE_MM = 0.5
"""A bubble a quarter as wide as a 2 mm bore: the widest whose rise the walls hardly slow."""
AIR_DENSITY_KG_M3 = 1.2


def rise_minutes(hose_mm: float, fluid: str, temperature_c: float, bubble_mm: float = SMALL_BUBBLE_MM) -> float:
    """Minutes a small bubble takes to rise the length of a hose that stands upright.

    Parameters
    ----------
    hose_mm
        Hose length, mm (above 0).
    fluid
        A level of fluid_required.
    temperature_c
        Of the fluid, -40 to 150 °C.
    bubble_mm
        Bubble diameter, mm.

    Returns
    -------
    float
        Minutes; a lower bound for larger bubbles that touch the wall, and no number at all for one that fills the
        bore: see `waiting_clears_slugs`.
    """
    kind = FLUIDS[fluid]
    difference = kind.density_kg_m3 - AIR_DENSITY_KG_M3
    speed = rigid_sphere_speed_m_s(bubble_mm / 1000, kind.density_kg_m3, difference, kind.viscosity_pa_s(temperature_c))
    return hose_mm / 1000 / speed / 60


def waiting_clears_slugs(hose_bore_mm: float, fluid: str) -> bool:
    """Whether waiting alone can clear a bubble that fills the hose (in bores of 2 to 2.5 mm: never)."""
    kind = FLUIDS[fluid]
    return slug_rises(hose_bore_mm, kind.density_kg_m3, kind.surface_tension_n_m)
