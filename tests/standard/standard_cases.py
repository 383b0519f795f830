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


BRAKES = [
    {"brake_model": "Basalt 2", "port_nm_min": 0.8, "port_nm_max": 1.0},
    {"brake_model": "Gneiss 1", "port_nm_max": 1.4},
    {"brake_model": "Schist 6", "port_nm_min": 2.5},
]


def _yes_or_no(step: str, field: str, not_done: str) -> list[StepCase]:
    return [
        StepCase(step, {field: True}, False, "done and written down"),
        StepCase(step, {field: False}, True, not_done),
        StepCase(step, {}, None, "nothing written is neither met nor missed"),
    ]


def _range(step: str, field: str, readings: tuple[float, float, float, float]) -> list[StepCase]:
    below, least, greatest, above = readings
    return [
        StepCase(step, {field: below}, True, "below the limit"),
        StepCase(step, {field: least}, False, "the lower limit itself meets it"),
        StepCase(step, {field: greatest}, False, "the upper limit itself meets it"),
        StepCase(step, {field: above}, True, "above the limit"),
        StepCase(step, {}, None, "no reading is neither met nor missed"),
    ]


def _at_least(step: str, field: str, too_few: float, enough: float) -> list[StepCase]:
    return [
        StepCase(step, {field: too_few}, True, "too few, or too short"),
        StepCase(step, {field: enough}, False, "the limit itself is enough"),
        StepCase(step, {}, None, "no reading is neither met nor missed"),
    ]


def _torque(step: str, field: str) -> list[StepCase]:
    own = {"brake_model": "Basalt 2"}
    return [
        *_range(step, field, (1.1, 1.2, 2.0, 2.1)),
        StepCase(step, {field: 0.9, **own}, False, "the brake's own limits win"),
        StepCase(step, {field: 1.5, **own}, True, "the brake's own limits win, against a reading the usual ones pass"),
        StepCase(step, {field: 1.2, "brake_model": "Marl 4"}, False, "a brake of no table has the usual limits"),
        StepCase(step, {field: 1.3, "brake_model": "Gneiss 1"}, False, "one limit of its own: the usual other one"),
        StepCase(step, {field: 1.0, "brake_model": "Gneiss 1"}, True, "one limit of its own: the usual other one"),
        StepCase(step, {field: 3.0, "brake_model": "Schist 6"}, False, "a usual limit below its own lower one is none"),
    ]


STEP_CASES = [
    *_range("reach", "lever_reach_mm", (74.9, 75.0, 80.0, 80.1)),
    *_yes_or_no("pads_out", "pads_out", "pads left in"),
    *_yes_or_no("pistons", "pistons_seated", "a piston left out"),
    StepCase("blocks", {"blocks_fitted": 1, "piston_pairs": 2}, True, "two pairs ask for two blocks"),
    StepCase("blocks", {"blocks_fitted": 2, "piston_pairs": 2}, False, "a block for each pair"),
    StepCase("blocks", {"blocks_fitted": 1}, False, "with the pairs unknown one block is enough"),
    StepCase("blocks", {"blocks_fitted": 0}, True, "none is never enough"),
    StepCase("blocks", {"piston_pairs": 2}, None, "how many blocks was not written"),
    *_range("lever_fill", "lever_syringe_fill", (0.64, 0.65, 0.85, 0.86)),
    *_range("caliper_fill", "caliper_syringe_fill", (0.14, 0.15, 0.35, 0.36)),
    *_yes_or_no("purge", "kit_purged", "air left in the kit"),
    *_at_least("cycles", "cycles", 1, 2),
    StepCase("clear_finish", {"bubbles_last": 1}, True, "stopped while bubbles came"),
    StepCase("clear_finish", {"bubbles_last": 0}, False, "no bubbles in the last cycle"),
    StepCase("clear_finish", {"bubbles_first": 0}, None, "the first cycle tells nothing of the last"),
    *_at_least("lever_vacuum", "lever_vacuum_strokes", 1, 2),
    *_at_least("settle", "settle_minutes", 1.9, 2.0),
    StepCase(
        "end_balance", {"caliper_syringe_end_ml": 10.1, "lever_syringe_end_ml": 10.0}, False, "fuller by a little"
    ),
    StepCase(
        "end_balance", {"caliper_syringe_end_ml": 10.0, "lever_syringe_end_ml": 10.0}, True, "as full is not fuller"
    ),
    StepCase("end_balance", {"caliper_syringe_end_ml": 10.0}, None, "one syringe alone tells nothing"),
    StepCase("end_balance", {"lever_syringe_end_ml": 10.0}, None, "one syringe alone tells nothing"),
    *_yes_or_no("upright", "syringes_upright", "a syringe held askew"),
    *_yes_or_no("closed_first", "caliper_closed_first", "the lever was opened to air first"),
    *_yes_or_no("seals", "port_seals_checked", "the seals were not looked at"),
    *_torque("caliper_port", "caliper_port_nm"),
    *_torque("lever_port", "lever_port_nm"),
    *_yes_or_no("cleaned", "cleaned", "fluid left near the pads"),
    *_yes_or_no("reach_restored", "reach_restored", "the rider's reach was not put back"),
]

HOLD_CASES = [
    HoldCase({"fluid_required": "mineral", "fluid_used": "dot5.1"}, ("wrong_fluid",), "the families never mix"),
    HoldCase({"fluid_required": "dot4", "fluid_used": "dot5.1"}, (), "dot5.1 may replace dot4"),
    HoldCase({"fluid_required": "dot5.1", "fluid_used": "dot4"}, ("wrong_fluid",), "not the other way round"),
    HoldCase({"fluid_required": "dot3", "fluid_used": "dot4"}, (), "dot4 may replace dot3"),
    HoldCase({"fluid_required": "dot3", "fluid_used": "dot5.1"}, (), "dot5.1 may replace dot3"),
    HoldCase({"fluid_required": "dot4", "fluid_used": "dot3"}, ("wrong_fluid",), "not the other way round"),
    HoldCase({"fluid_required": "dot4", "fluid_used": "mineral"}, ("wrong_fluid",), "the families never mix"),
    HoldCase({"fluid_used": "dot4"}, (), "what is required is not recorded"),
    HoldCase({"fluid_required": "dot4"}, (), "what was used is not recorded"),
    HoldCase(
        {"fluid_required": "dot4", "fluid_used": "mineral", "kit_fluid": "mineral"},
        ("kit_of_other_kind", "wrong_fluid"),
        "a kit is held against what is required first",
    ),
    HoldCase({"kit_fluid": "dot4"}, (), "a kit alone tells nothing"),
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
