"""The physics of a bleed: trapped air from lever travel, circuit volumes flushed, bubble rise, brake fluids."""

from analysis.physics.air import Measures, TrappedAir, flush_ratio, lost_volume_ml, trapped_air
from analysis.physics.bubbles import (
    CRITICAL_BOND_NUMBER,
    bond_number,
    clean_bubble_speed_m_s,
    rigid_sphere_speed_m_s,
    slug_rises,
    stokes_speed_m_s,
)
from analysis.physics.fluids import FLUIDS, Fluid
from analysis.physics.settling import rise_minutes, waiting_clears_slugs

__all__ = [
    "CRITICAL_BOND_NUMBER",
    "FLUIDS",
    "Fluid",
    "Measures",
    "TrappedAir",
    "bond_number",
    "clean_bubble_speed_m_s",
    "flush_ratio",
    "lost_volume_ml",
    "rigid_sphere_speed_m_s",
    "rise_minutes",
    "slug_rises",
    "stokes_speed_m_s",
    "trapped_air",
    "waiting_clears_slugs",
]
