"""Invented brake models with their dimensions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

MINERAL = "mineral"
DOT = "dot5.1"


@dataclass(frozen=True)
class SimulatedBrake:
    """One brake model: dimensions, share of the fleet and log hazard ratio."""

    name: str
    fluid: str
    piston_pairs: int
    lever_ratio: float
    master_bore_mm: float
    caliper_bore_mm: float
    travel_reference_mm: float
    share: float
    effect: float
    port_nm_min: float | None = None
    port_nm_max: float | None = None

    @property
    def travel_mm_per_ml(self) -> float:
        """Lever tip travel per ml of free air under a hard pull (Boyle's law, 3 MPa)."""
        area_mm2 = np.pi / 4 * self.master_bore_mm**2
        return float(0.967 * 1000 / area_mm2 * self.lever_ratio)


MODELS = (
    SimulatedBrake("Basalt 2", MINERAL, 1, 5.2, 10.0, 22.0, 21.0, 0.28, 0.0),
    SimulatedBrake("Marl 4", MINERAL, 2, 5.0, 10.5, 16.0, 23.0, 0.18, 0.15, 1.2, 2.0),
    SimulatedBrake("Schist 2", MINERAL, 1, 4.6, 9.5, 21.0, 19.5, 0.12, -0.1),
    SimulatedBrake("Tuff 4", DOT, 2, 5.4, 11.0, 17.0, 24.0, 0.17, 0.2, 1.0, 1.8),
    SimulatedBrake("Gneiss 2", DOT, 1, 5.0, 10.0, 22.0, 20.0, 0.15, 0.05),
    SimulatedBrake("Loess 2", DOT, 1, 4.8, 9.8, 21.5, 22.0, 0.10, -0.05, 1.2, 2.0),
)
HOSE_BORE_MM = 2.2
# correct torques are within the built-in limits and those of every model, wrong ones outside all
PORT_MET_NM = (1.2, 1.8)
PORT_MISSED_NM = (1.0, 2.0)


def brake_table() -> pl.DataFrame:
    """The `brakes` table; some models have no torque limits."""
    return pl.DataFrame(
        {
            "brake_model": [m.name for m in MODELS],
            "lever_ratio": [m.lever_ratio for m in MODELS],
            "master_bore_mm": [m.master_bore_mm for m in MODELS],
            "caliper_bore_mm": [m.caliper_bore_mm for m in MODELS],
            "hose_bore_mm": [HOSE_BORE_MM] * len(MODELS),
            "hose_mm": [1700.0] * len(MODELS),
            "travel_reference_mm": [m.travel_reference_mm for m in MODELS],
            "port_nm_min": [m.port_nm_min for m in MODELS],
            "port_nm_max": [m.port_nm_max for m in MODELS],
        }
    ).sort("brake_model")
