"""The steps and holds of the built-in standard, drawn as small tables: readings of one bleed, and what follows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class StepCase:
    """One bleed's readings and whether the step is missed (true), met (false) or not recorded (None)."""

    step: str
    readings: dict[str, Any]
    missed: bool | None
    because: str


@dataclass(frozen=True)
class HoldCase:
    """One bleed's readings and the holds it breaks."""

    readings: dict[str, Any]
    holds: tuple[str, ...]
    because: str


BRAKES = [{"brake_model": "Basalt 2", "port_nm_min": 0.8, "port_nm_max": 1.0}]

STEP_CASES = [
    StepCase("reach", {"lever_reach_mm": 75.0}, False, "both ends of a tolerance belong to it"),
    StepCase("reach", {"lever_reach_mm": 80.1}, True, "above the tolerance"),
    StepCase("reach", {}, None, "no reading is neither met nor missed"),
    StepCase("pads_out", {"pads_out": False}, True, "written down as not done"),
    StepCase("blocks", {"blocks_fitted": 1, "piston_pairs": 2}, True, "two pairs ask for two blocks"),
    StepCase("blocks", {"blocks_fitted": 1}, False, "with the pairs unknown one block is enough"),
    StepCase("lever_fill", {"lever_syringe_fill": 0.65}, False, "the limit itself meets it"),
    StepCase("caliper_fill", {"caliper_syringe_fill": 0.5}, True, "too full to take what comes back"),
    StepCase("cycles", {"cycles": 1}, True, "one pass is not two"),
    StepCase("cycles", {"cycles": 2}, False, "two are enough"),
    StepCase("clear_finish", {"bubbles_last": 1}, True, "stopped while bubbles came"),
    StepCase("clear_finish", {"bubbles_last": 0}, False, "no bubbles in the last cycle"),
    StepCase("settle", {"settle_minutes": 1.5}, True, "too short"),
    StepCase(
        "end_balance", {"caliper_syringe_end_ml": 10.0, "lever_syringe_end_ml": 10.0}, True, "as full is not fuller"
    ),
    StepCase("end_balance", {"caliper_syringe_end_ml": 10.0}, None, "one syringe alone tells nothing"),
    StepCase("caliper_port", {"caliper_port_nm": 1.1}, True, "below the usual torque"),
    StepCase("caliper_port", {"caliper_port_nm": 0.9, "brake_model": "Basalt 2"}, False, "the brake's own limits win"),
    StepCase("caliper_port", {"caliper_port_nm": 1.5, "brake_model": "Basalt 2"}, True, "the brake's own limits win"),
    StepCase(
        "caliper_port", {"caliper_port_nm": 1.2, "brake_model": "Marl 4"}, False, "a brake without limits has the usual"
    ),
    StepCase("seals", {"port_seals_checked": True}, False, "checked"),
]

HOLD_CASES = [
    HoldCase({"fluid_required": "mineral", "fluid_used": "dot5.1"}, ("wrong_fluid",), "the families never mix"),
    HoldCase({"fluid_required": "dot4", "fluid_used": "dot5.1"}, (), "dot5.1 may replace dot4"),
    HoldCase({"fluid_required": "dot5.1", "fluid_used": "dot4"}, ("wrong_fluid",), "not the other way round"),
    HoldCase({"fluid_required": "dot3", "fluid_used": "dot4"}, (), "dot4 may replace dot3"),
    HoldCase({"fluid_used": "dot4"}, (), "what is required is not recorded"),
    HoldCase(
        {"fluid_required": "mineral", "kit_fluid": "dot4"}, ("kit_of_other_kind",), "a kit carries its fluid along"
    ),
    HoldCase(
        {"fluid_used": "mineral", "kit_fluid": "dot4"}, ("kit_of_other_kind",), "held against what was used, else"
    ),
    HoldCase({"fluid_required": "dot5.1", "kit_fluid": "dot3"}, (), "the same family"),
    HoldCase({"hard_pull_firm": False}, ("not_firm",), "it left soft"),
    HoldCase({"hard_pull_firm": False, "leak_seen": True}, ("leak", "not_firm"), "every rule broken is told"),
    HoldCase({"hard_pull_firm": True, "leak_seen": False}, (), "nothing to call back"),
    HoldCase({}, (), "nothing recorded is no hold"),
]
