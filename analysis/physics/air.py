"""Trapped air from lever travel, and circuit volumes flushed: lengths and volumes of one brake, uncertainty carried.

Validity. Isothermal air (a hard pull is slow beside the cooling of a thin bubble), stiff hose and caliper: what gives
besides air (hose, seals, pads) is in the reference travel. Hand pressure under a hard pull is taken as 3 MPa, 2 to
5 MPa (common practice, no source): at these pressures 95-98% of the free air disappears, so it hardly matters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.stats import Z95

FloatArray = NDArray[np.float64]
ATMOSPHERE_PA = 101_325.0
HAND_PRESSURE_PA = 3.0e6
HAND_PRESSURE_SD_PA = 0.75e6


@dataclass(frozen=True)
class Measures:
    """Measures of a brake as arrays of one value a bleed; NaN where unknown, which the results carry on.

    `*_sd` are standard deviations of what was entered: a travel read by hand ±1 mm, a reference taken from the
    brake's sheet or the shop's own firm bleeds ±1.5 mm, a lever ratio that changes along the stroke ±10%.
    """

    lever_ratio: FloatArray
    master_bore_mm: FloatArray
    reference_mm: FloatArray
    travel_sd_mm: float = 1.0
    reference_sd_mm: float = 1.5
    ratio_relative_sd: float = 0.10


@dataclass(frozen=True)
class TrappedAir:
    """Free air at atmospheric pressure, ml, and its 95% limits (never below 0); one value a bleed, NaN unknown."""

    ml: FloatArray
    lo_ml: FloatArray
    hi_ml: FloatArray


def lost_volume_ml(free_air_ml: FloatArray, pressure_pa: float = HAND_PRESSURE_PA) -> FloatArray:
    """The volume by which `free_air_ml` shrinks from atmospheric to `pressure_pa` above it (Boyle 1662, isothermal)."""
    return free_air_ml * pressure_pa / (ATMOSPHERE_PA + pressure_pa)


def trapped_air(travel_mm: FloatArray, brake: Measures) -> TrappedAir:
    """Free air that explains the lever travel beyond a firm brake's.

    Tip travel over lever ratio is master stroke; stroke times bore area is volume; Boyle's law gives the free air.
    The interval is first order in the standard deviations of travel, reference, ratio and hand pressure.

    Parameters
    ----------
    travel_mm
        Lever tip travel to the bite, mm, one a bleed.
    brake
        The brake's measures, the same length.
    """
    area_mm2 = np.pi / 4 * brake.master_bore_mm**2
    per_mm = area_mm2 / brake.lever_ratio / 1000 / _shrinkage(HAND_PRESSURE_PA)
    excess_mm = travel_mm - brake.reference_mm
    ml = np.maximum(per_mm * excess_mm, 0.0)
    excess_sd_mm = float(np.hypot(brake.travel_sd_mm, brake.reference_sd_mm))
    scale_sd = np.hypot(brake.ratio_relative_sd, _pressure_relative_sd())
    sd_ml = np.hypot(per_mm * excess_sd_mm, ml * scale_sd)
    middle = per_mm * excess_mm
    return TrappedAir(ml, np.maximum(middle - Z95 * sd_ml, 0.0), np.maximum(middle + Z95 * sd_ml, 0.0))


def flush_ratio(
    volume_moved_ml: FloatArray, hose_bore_mm: FloatArray, hose_mm: FloatArray, ends_ml: FloatArray | float
) -> FloatArray:
    """Circuit volumes flushed: fluid moved over what hose, lever and caliper (`ends_ml`) hold together."""
    hose_ml = np.pi / 4 * hose_bore_mm**2 * hose_mm / 1000
    return volume_moved_ml / (hose_ml + ends_ml)


def _shrinkage(pressure_pa: float) -> float:
    return pressure_pa / (ATMOSPHERE_PA + pressure_pa)


def _pressure_relative_sd() -> float:
    pressures = (HAND_PRESSURE_PA - HAND_PRESSURE_SD_PA, HAND_PRESSURE_PA + HAND_PRESSURE_SD_PA)
    low, high = (_shrinkage(p) for p in pressures)
    return (high - low) / 2 / _shrinkage(HAND_PRESSURE_PA)
