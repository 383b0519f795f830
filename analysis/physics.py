"""Trapped air from lever travel, and circuit volumes flushed.

Assumptions. Air is compressed isothermally (a hard pull is slow compared with the cooling of a thin bubble); hose and
caliper are stiff, since what else gives (hose, seals, pads) is already part of the reference travel. The pressure of a
hard pull is taken as 3 MPa, from 2 to 5 MPa (common practice, no source): at these pressures 95 to 98% of the free air
disappears, so the exact pressure hardly matters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.stats import Z95, FloatArray

ATMOSPHERE_PA = 101_325.0
PULL_PRESSURE_PA = 3.0e6
PULL_PRESSURE_SD_PA = 0.75e6


@dataclass(frozen=True)
class BrakeDimensions:
    """Dimensions of the brake of each bleed, one value per bleed; NaN where unknown, and so is the result.

    `*_sd` are standard deviations: ±1 mm for travel read by hand, ±1.5 mm for a reference taken from the brake's data
    sheet or from the shop's own firm brakes, ±10% for a lever ratio that changes along the stroke.
    """

    lever_ratio: FloatArray
    master_bore_mm: FloatArray
    reference_mm: FloatArray
    travel_sd_mm: float = 1.0
    reference_sd_mm: float = 1.5
    ratio_relative_sd: float = 0.10


@dataclass(frozen=True)
class TrappedAir:
    """Free air at atmospheric pressure in ml, with 95% limits, never below 0; one value per bleed, NaN where unknown."""

    ml: FloatArray
    lo_ml: FloatArray
    hi_ml: FloatArray


def trapped_air(travel_mm: FloatArray, brake: BrakeDimensions) -> TrappedAir:
    """Free air that explains lever travel in excess of the reference.

    Travel at the lever's tip divided by the lever ratio is the stroke of the master piston; stroke times bore area is a
    volume; Boyle's law gives the free air. The interval is first order (delta method) in the standard deviations of
    travel, reference, lever ratio and pressure.

    Parameters
    ----------
    travel_mm
        Lever travel to the bite point in mm, one per bleed.
    brake
        The brake's dimensions, the same length.
    """
    area_mm2 = np.pi / 4 * brake.master_bore_mm**2
    ml_per_mm = area_mm2 / brake.lever_ratio / 1000 / _lost_share(PULL_PRESSURE_PA)
    estimate = ml_per_mm * (travel_mm - brake.reference_mm)
    ml = np.maximum(estimate, 0.0)
    excess_sd_mm = float(np.hypot(brake.travel_sd_mm, brake.reference_sd_mm))
    scale_sd = np.hypot(brake.ratio_relative_sd, _lost_share_relative_sd())
    sd_ml = np.hypot(ml_per_mm * excess_sd_mm, ml * scale_sd)
    return TrappedAir(ml, np.maximum(estimate - Z95 * sd_ml, 0.0), np.maximum(estimate + Z95 * sd_ml, 0.0))


def flush_ratio(
    volume_moved_ml: FloatArray, hose_bore_mm: FloatArray, hose_mm: FloatArray, ends_ml: FloatArray | float
) -> FloatArray:
    """Circuit volumes flushed: fluid moved divided by what hose, lever and caliper (`ends_ml`) hold together."""
    hose_ml = np.pi / 4 * hose_bore_mm**2 * hose_mm / 1000
    return volume_moved_ml / (hose_ml + ends_ml)


def _lost_share(pressure_pa: float) -> float:
    """Share of the free air's volume that disappears at this pressure above atmospheric."""
    return pressure_pa / (ATMOSPHERE_PA + pressure_pa)


def _lost_share_relative_sd() -> float:
    low, high = (_lost_share(PULL_PRESSURE_PA + sign * PULL_PRESSURE_SD_PA) for sign in (-1, 1))
    return (high - low) / 2 / _lost_share(PULL_PRESSURE_PA)
