"""The steps and recall rules of the built-in standard as small tables: readings of one bleed and the result."""

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
    """One bleed's readings and the recall rules it breaks."""

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
        StepCase(step, {field: True}, False, "recorded as done"),
        StepCase(step, {field: False}, True, not_done),
        StepCase(step, {}, None, "not recorded"),
    ]


def _range(step: str, field: str, readings: tuple[float, float, float, float]) -> list[StepCase]:
    too_low, lowest, highest, too_high = readings
    return [
        StepCase(step, {field: too_low}, True, "below the limit"),
        StepCase(step, {field: lowest}, False, "the lower limit itself is allowed"),
        StepCase(step, {field: highest}, False, "the upper limit itself is allowed"),
        StepCase(step, {field: too_high}, True, "above the limit"),
        StepCase(step, {}, None, "not recorded"),
    ]


def _at_least(step: str, field: str, too_few: float, enough: float) -> list[StepCase]:
    return [
        StepCase(step, {field: too_few}, True, "below the minimum"),
        StepCase(step, {field: enough}, False, "the minimum itself is enough"),
        StepCase(step, {}, None, "not recorded"),
    ]


def _torque(step: str, field: str) -> list[StepCase]:
    own = {"brake_model": "Basalt 2"}
    return [
        *_range(step, field, (1.1, 1.2, 2.0, 2.1)),
        StepCase(step, {field: 0.9, **own}, False, "the brake's own limits take precedence"),
        StepCase(step, {field: 1.5, **own}, True, "within the usual limits, but outside the brake's own"),
        StepCase(
            step,
            {field: 1.2, "brake_model": "Marl 4"},
            False,
            "a brake missing from the brakes table uses the usual limits",
        ),
        StepCase(
            step,
            {field: 1.3, "brake_model": "Gneiss 1"},
            False,
            "the brake's own upper limit, and the usual lower limit",
        ),
        StepCase(
            step,
            {field: 1.0, "brake_model": "Gneiss 1"},
            True,
            "the brake's own upper limit, and the usual lower limit",
        ),
        StepCase(
            step,
            {field: 3.0, "brake_model": "Schist 6"},
            False,
            "the brake's own lower limit is above the usual upper limit, which is then ignored",
        ),
    ]


STEP_CASES = [
    *_range("reach", "lever_reach_mm", (74.9, 75.0, 80.0, 80.1)),
    *_yes_or_no("pads_out", "pads_out", "pads left in"),
    *_yes_or_no("pistons", "pistons_seated", "a piston not pushed back"),
    StepCase("blocks", {"blocks_fitted": 1, "piston_pairs": 2}, True, "two pairs of pistons, one block"),
    StepCase("blocks", {"blocks_fitted": 2, "piston_pairs": 2}, False, "one block for each pair"),
    StepCase("blocks", {"blocks_fitted": 1}, False, "number of pairs not recorded: one block is enough"),
    StepCase("blocks", {"blocks_fitted": 0}, True, "zero blocks is always a miss"),
    StepCase("blocks", {"piston_pairs": 2}, None, "number of blocks not recorded"),
    *_range("lever_fill", "lever_syringe_fill", (0.64, 0.65, 0.85, 0.86)),
    *_range("caliper_fill", "caliper_syringe_fill", (0.14, 0.15, 0.35, 0.36)),
    *_yes_or_no("purge", "kit_purged", "air left in the kit"),
    *_at_least("cycles", "cycles", 1, 2),
    StepCase("clear_finish", {"bubbles_last": 1}, True, "stopped with bubbles showing"),
    StepCase("clear_finish", {"bubbles_last": 0}, False, "no bubbles in the last pass"),
    StepCase("clear_finish", {"bubbles_first": 0}, None, "only the first pass was recorded"),
    *_at_least("lever_vacuum", "lever_vacuum_strokes", 1, 2),
    *_at_least("settle", "settle_minutes", 1.9, 2.0),
    StepCase(
        "end_balance",
        {"caliper_syringe_end_ml": 10.1, "lever_syringe_end_ml": 10.0},
        False,
        "slightly fuller is enough",
    ),
    StepCase(
        "end_balance", {"caliper_syringe_end_ml": 10.0, "lever_syringe_end_ml": 10.0}, True, "equal is not fuller"
    ),
    StepCase("end_balance", {"caliper_syringe_end_ml": 10.0}, None, "only one syringe was recorded"),
    StepCase("end_balance", {"lever_syringe_end_ml": 10.0}, None, "only one syringe was recorded"),
    *_yes_or_no("upright", "syringes_upright", "not held upright"),
    *_yes_or_no("closed_first", "caliper_closed_first", "the lever was opened to the air first"),
    *_yes_or_no("seals", "port_seals_checked", "O-rings not checked"),
    *_torque("caliper_port", "caliper_port_nm"),
    *_torque("lever_port", "lever_port_nm"),
    *_yes_or_no("cleaned", "cleaned", "fluid residue contaminates the pads"),
    *_yes_or_no("reach_restored", "reach_restored", "the rider's reach was not restored"),
]

HOLD_CASES = [
    HoldCase(
        {"fluid_required": "mineral", "fluid_used": "dot5.1"}, ("wrong_fluid",), "never mix mineral oil and DOT fluid"
    ),
    HoldCase({"fluid_required": "dot4", "fluid_used": "dot5.1"}, (), "dot5.1 may replace dot4"),
    HoldCase({"fluid_required": "dot5.1", "fluid_used": "dot4"}, ("wrong_fluid",), "the reverse is not allowed"),
    HoldCase({"fluid_required": "dot3", "fluid_used": "dot4"}, (), "dot4 may replace dot3"),
    HoldCase({"fluid_required": "dot3", "fluid_used": "dot5.1"}, (), "dot5.1 may replace dot3"),
    HoldCase({"fluid_required": "dot4", "fluid_used": "dot3"}, ("wrong_fluid",), "the reverse is not allowed"),
    HoldCase(
        {"fluid_required": "dot4", "fluid_used": "mineral"}, ("wrong_fluid",), "never mix mineral oil and DOT fluid"
    ),
    HoldCase({"fluid_used": "dot4"}, (), "required fluid not recorded"),
    HoldCase({"fluid_required": "dot4"}, (), "fluid used not recorded"),
    HoldCase(
        {"fluid_required": "dot4", "fluid_used": "mineral", "kit_fluid": "mineral"},
        ("wrong_fluid", "wrong_kit"),
        "the kit is compared with the required fluid if recorded",
    ),
    HoldCase({"kit_fluid": "dot4"}, (), "no fluid recorded to compare the kit with"),
    HoldCase(
        {"fluid_required": "mineral", "kit_fluid": "dot4"},
        ("wrong_kit",),
        "residue in the kit contaminates the brake",
    ),
    HoldCase(
        {"fluid_used": "mineral", "kit_fluid": "dot4"},
        ("wrong_kit",),
        "required fluid not recorded: compared with the fluid used",
    ),
    HoldCase({"fluid_required": "dot5.1", "kit_fluid": "dot3"}, (), "both are DOT fluid"),
    HoldCase({"hard_pull_firm": False}, ("not_firm",), "left with a soft lever"),
    HoldCase(
        {"hard_pull_firm": True, "lever_travel_before_mm": 31.0, "lever_travel_after_mm": 67.0},
        ("long_travel",),
        "36 mm longer than before the bleed; the limit is 20",
    ),
    HoldCase(
        {"hard_pull_firm": True, "lever_travel_before_mm": 31.0, "lever_travel_after_mm": 51.0},
        (),
        "20 mm longer than before: at the limit",
    ),
    HoldCase({"lever_travel_after_mm": 67.0}, (), "not measured before, and no usual travel known for the model"),
    HoldCase({"hard_pull_firm": False, "leak_seen": True}, ("leak", "not_firm"), "all broken rules are listed"),
    HoldCase({"hard_pull_firm": True, "leak_seen": False}, (), "nothing to recall"),
    HoldCase({}, (), "nothing recorded, no recall"),
]
