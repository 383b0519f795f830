"""The nineteen steps of a simulated bleed: their fields, and how a miss acts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Acts = Literal["air", "leak"]


@dataclass(frozen=True)
class SimulatedStep:
    """One step: the fields that record it, and what a miss causes."""

    id: str
    acts: Acts
    fields: tuple[str, ...]


STEPS = (
    SimulatedStep("reach", "air", ("lever_reach_mm",)),
    SimulatedStep("pads_out", "air", ("pads_out",)),
    SimulatedStep("pistons", "air", ("pistons_seated",)),
    SimulatedStep("blocks", "air", ("blocks_fitted",)),
    SimulatedStep("lever_fill", "air", ("lever_syringe_fill",)),
    SimulatedStep("caliper_fill", "air", ("caliper_syringe_fill",)),
    SimulatedStep("purge", "air", ("kit_purged",)),
    SimulatedStep("cycles", "air", ("cycles",)),
    SimulatedStep("clear_finish", "air", ("bubbles_last",)),
    SimulatedStep("lever_vacuum", "air", ("lever_vacuum_strokes",)),
    SimulatedStep("settle", "air", ("settle_minutes",)),
    SimulatedStep("end_balance", "air", ("lever_syringe_end_ml", "caliper_syringe_end_ml")),
    SimulatedStep("upright", "air", ("syringes_upright",)),
    SimulatedStep("closed_first", "air", ("caliper_closed_first",)),
    SimulatedStep("seals", "leak", ("port_seals_checked",)),
    SimulatedStep("caliper_port", "leak", ("caliper_port_nm",)),
    SimulatedStep("lever_port", "leak", ("lever_port_nm",)),
    SimulatedStep("cleaned", "leak", ("cleaned",)),
    SimulatedStep("reach_restored", "air", ("reach_restored",)),
)
STEP_IDS = tuple(step.id for step in STEPS)
PLACE = {step.id: place for place, step in enumerate(STEPS)}
BEFORE_FIRST_PASS = (
    "reach", "pads_out", "pistons", "blocks", "lever_fill", "caliper_fill", "purge", "upright",
)  # fmt: skip
BEFORE_LAST_PASS = (*BEFORE_FIRST_PASS, "cycles")
"""Steps whose misses show in the first and in the last pass."""
