"""The nineteen steps of a simulated bleed: their fields, and how a miss acts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Acts = Literal["air", "leak"]


@dataclass(frozen=True)
class Step:
    """One step: the fields that record it, and what a miss causes."""

    id: str
    acts: Acts
    fields: tuple[str, ...]


STEPS = (
    Step("reach", "air", ("lever_reach_mm",)),
    Step("pads_out", "air", ("pads_out",)),
    Step("pistons", "air", ("pistons_seated",)),
    Step("blocks", "air", ("blocks_fitted",)),
    Step("lever_fill", "air", ("lever_syringe_fill",)),
    Step("caliper_fill", "air", ("caliper_syringe_fill",)),
    Step("purge", "air", ("kit_purged",)),
    Step("cycles", "air", ("cycles",)),
    Step("clear_finish", "air", ("bubbles_last",)),
    Step("lever_vacuum", "air", ("lever_vacuum_strokes",)),
    Step("settle", "air", ("settle_minutes",)),
    Step("end_balance", "air", ("lever_syringe_end_ml", "caliper_syringe_end_ml")),
    Step("upright", "air", ("syringes_upright",)),
    Step("closed_first", "air", ("caliper_closed_first",)),
    Step("seals", "leak", ("port_seals_checked",)),
    Step("caliper_port", "leak", ("caliper_port_nm",)),
    Step("lever_port", "leak", ("lever_port_nm",)),
    Step("cleaned", "leak", ("cleaned",)),
    Step("reach_restored", "air", ("reach_restored",)),
)
STEP_IDS = tuple(step.id for step in STEPS)
PLACE = {step.id: place for place, step in enumerate(STEPS)}
BEFORE_FIRST_PASS = (
    "reach", "pads_out", "pistons", "blocks", "lever_fill", "caliper_fill", "purge", "upright",
)  # fmt: skip
BEFORE_LAST_PASS = (*BEFORE_FIRST_PASS, "cycles")
"""Steps whose misses show in the first and in the last pass."""
