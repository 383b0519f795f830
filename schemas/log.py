"""The bleed log: the canonical tables after intake, one model a table.

Names are the trade's own words and units stand in them. A field that is not required may be missing, as a
column or in a row: *not recorded* is a state of its own, never silently done nor missed.
"""

from __future__ import annotations

from typing import Annotated

import pandera.polars as pa
import polars as pl

from schemas.field import schema_field

BRAKES = ("front", "rear")
JOB_REASONS = (
    "scheduled", "soft_lever", "dirty_fluid", "new_hose", "new_brake", "leak_repair", "comeback", "other",
)  # fmt: skip
FLUIDS = ("mineral", "dot3", "dot4", "dot5.1")
HOSE_ROUTES = ("external", "internal")
FLUID_OUT = ("clear", "cloudy", "dark", "gritty")
COMPLAINTS = ("soft_lever", "long_travel", "leak", "drag", "noise", "weak_braking", "other")
FINDINGS = ("air", "leak", "old_fluid", "worn_part", "pads", "none_found", "other")
TRIAL_UNITS = ("bleed", "bike", "technician", "workshop", "week")
DIRECTIONS = ("down", "up")

# A date or date-time, kept as wall time; whether the hour was written stands beside it in `<field>_has_time`.
Moment = Annotated[pl.Datetime, "us", None]


class LogTable(pa.DataFrameModel):
    """What the log's tables share: own columns of the shop and the row's origin may stand beside the fields."""

    class Config:
        strict = False
        metadata = None


class Sessions(LogTable):
    """One bleed of one brake."""

    session_id: str = schema_field("the bleed's own number", role="key", sheet="before", required=True, unique=True)
    shop: str = schema_field("workshop", role="context", sheet="before")
    bike_id: str = schema_field("the bike, by whatever the shop calls it", role="key", sheet="before", required=True)
    brake: str = schema_field("which brake", role="context", sheet="before", levels=BRAKES, required=True)
    technician: str = schema_field("who bled it", role="context", sheet="before", required=True)
    started_at: Moment = schema_field(
        "when the bleed began (from 1990-01-01 to the as-of date)", role="context", sheet="before", required=True
    )
    minutes: float = schema_field("bench minutes", role="sign", sheet="before", unit="min", low=2, high=480)
    job_reason: str = schema_field("why the brake was bled", role="context", sheet="before", levels=JOB_REASONS)
    brake_model: str = schema_field("brake model", role="context", sheet="before")
    bike_kind: str = schema_field("kind of bike", role="context")
    fluid_required: str = schema_field("fluid the maker asks for", role="context", sheet="before", levels=FLUIDS)
    fluid_used: str = schema_field("fluid put in", role="technique", sheet="before", levels=FLUIDS)
    kit_fluid: str = schema_field("fluid the bleed kit is kept for", role="technique", sheet="before", levels=FLUIDS)
    hose_route: str = schema_field(
        "hose outside or inside the frame", role="context", sheet="before", levels=HOSE_ROUTES
    )
    hose_mm: float = schema_field("hose length", role="context", unit="mm", low=300, high=3000)
    piston_pairs: int = schema_field("pairs of pistons in the caliper", role="context", sheet="before", low=1, high=3)
    shop_temp_c: float = schema_field("temperature in the shop", role="context", unit="°C", low=-10, high=50)
    trial: str = schema_field("the trial this bleed belongs to", role="context")
    trial_arm: str = schema_field("its arm in that trial", role="context")
    trial_unit: str = schema_field("what that trial randomised", role="context", levels=TRIAL_UNITS)
    lever_reach_mm: float = schema_field(
        "lever tip to bar centre while bleeding", role="technique", unit="mm", low=40, high=130
    )
    pads_out: bool = schema_field("pads out of the caliper", role="technique")
    pistons_seated: bool = schema_field("pistons pushed fully back", role="technique")
    blocks_fitted: int = schema_field("bleed blocks fitted", role="technique", low=0, high=3)
    block_mm: float = schema_field("thickness of the bleed block", role="technique", unit="mm", low=5, high=25)
    lever_syringe_fill: float = schema_field(
        "lever syringe filled to, as a fraction of the syringe", role="technique", unit="fraction", low=0, high=1
    )
    caliper_syringe_fill: float = schema_field(
        "caliper syringe filled to, as a fraction of the syringe", role="technique", unit="fraction", low=0, high=1
    )
    kit_purged: bool = schema_field("air cleared out of syringes and hoses", role="technique")
    cycles: int = schema_field("full down-and-up passes of fluid", role="technique", low=0, high=30)
    volume_moved_ml: float = schema_field("fluid moved in all", role="technique", unit="ml", low=0, high=1000)
    bubbles_first: int = schema_field("bubbles counted in the first cycle", role="sign", sheet="after", low=0, high=500)
    bubbles_last: int = schema_field(
        "bubbles counted in the last cycle (decides a step too)", role="sign", low=0, high=500
    )
    lever_vacuum_strokes: int = schema_field(
        "vacuum-and-pressure strokes at the lever", role="technique", low=0, high=60
    )
    settle_minutes: float = schema_field("wait for bubbles to rise", role="technique", unit="min", low=0, high=1440)
    lever_syringe_end_ml: float = schema_field(
        "left in the lever syringe at the end", role="technique", unit="ml", low=0, high=200
    )
    caliper_syringe_end_ml: float = schema_field(
        "left in the caliper syringe at the end", role="technique", unit="ml", low=0, high=200
    )
    syringes_upright: bool = schema_field("both syringes held vertical while fluid moved", role="technique")
    caliper_closed_first: bool = schema_field(
        "caliper port screw in at once, before the lever was opened to air", role="technique"
    )
    port_seals_checked: bool = schema_field("the O-ring was on both port screws", role="technique")
    lever_port_nm: float = schema_field("lever port screw tightened to", role="technique", unit="N·m", low=0, high=10)
    caliper_port_nm: float = schema_field(
        "caliper port screw tightened to", role="technique", unit="N·m", low=0, high=10
    )
    cleaned: bool = schema_field("lever and caliper wiped with alcohol before the pads went in", role="technique")
    reach_restored: bool = schema_field("the rider's reach put back", role="technique")
    fluid_out: str = schema_field("the old fluid as it came out", role="context", sheet="before", levels=FLUID_OUT)
    lever_travel_before_mm: float = schema_field(
        "lever tip travel to the bite, before", role="context", sheet="before", unit="mm", low=0, high=120
    )
    lever_travel_after_mm: float = schema_field(
        "lever tip travel to the bite, after", role="sign", sheet="after", unit="mm", low=0, high=120
    )
    pump_gain_mm: float = schema_field(
        "travel lost after five quick pulls", role="sign", sheet="after", unit="mm", low=-5, high=60
    )
    hard_pull_firm: bool = schema_field("firm under a hard pull", role="sign", sheet="after")
    leak_seen: bool = schema_field("leak seen", role="sign", sheet="after")
    note: str = schema_field("whatever was written beside it", sheet="after")


class Comebacks(LogTable):
    """One return of one brake."""

    comeback_id: str = schema_field("the return's own number", role="key", required=True, unique=True)
    session_id: str = schema_field("the bleed it answers to, if the shop wrote it down", role="key")
    bike_id: str = schema_field("the bike", role="key", required=True)
    brake: str = schema_field("which brake", role="context", levels=BRAKES)
    returned_at: Moment = schema_field(
        "when it came back (from 1990-01-01 to the as-of date)", role="outcome", required=True
    )
    complaint: str = schema_field("what the rider complained of", role="outcome", levels=COMPLAINTS)
    finding: str = schema_field("what the bench found", role="outcome", levels=FINDINGS)
    minutes: float = schema_field("bench minutes", role="outcome", unit="min", low=0, high=480)
    parts_cost: float = schema_field(
        "parts, in the shop's currency", role="outcome", unit="currency", low=0, high=1_000_000
    )


class Passes(LogTable):
    """One pass of fluid."""

    session_id: str = schema_field("the bleed", role="key", required=True)
    pass_no: int = schema_field("number of the pass, from 1", role="key", required=True, low=1, high=60)
    direction: str = schema_field("which way the fluid went", role="technique", levels=DIRECTIONS)
    ml: float = schema_field("fluid moved", role="technique", unit="ml", low=0, high=200)
    bubbles: int = schema_field("bubbles counted", role="sign", low=0, high=500)
    seconds: float = schema_field("time it took", role="technique", unit="s", low=0, high=3600)


class Technicians(LogTable):
    """One technician."""

    technician: str = schema_field("name", role="key", required=True, unique=True)
    started_on: pl.Date = schema_field("first day at the bench", role="context")
    shop: str = schema_field("workshop", role="context")


class Coaching(LogTable):
    """One coaching of one technician on one step."""

    technician: str = schema_field("who was coached", role="key", required=True)
    coached_on: pl.Date = schema_field("the day", role="key", required=True)
    step: str = schema_field("the step, by its id in the standard", role="key", required=True)


class Brakes(LogTable):
    """One brake model and its measures."""

    brake_model: str = schema_field("brake model", role="key", required=True, unique=True)
    lever_ratio: float = schema_field("tip travel over master piston travel", role="context", low=1, high=20)
    master_bore_mm: float = schema_field("master cylinder bore", role="context", unit="mm", low=4, high=25)
    caliper_bore_mm: float = schema_field("caliper piston bore", role="context", unit="mm", low=8, high=50)
    hose_bore_mm: float = schema_field("hose bore", role="context", unit="mm", low=0.5, high=6)
    hose_mm: float = schema_field("hose length as delivered", role="context", unit="mm", low=300, high=3000)
    travel_reference_mm: float = schema_field(
        "lever travel of a firm brake", role="context", unit="mm", low=0, high=120
    )
    port_nm_min: float = schema_field("least port screw torque", role="context", unit="N·m", low=0, high=10)
    port_nm_max: float = schema_field("greatest port screw torque", role="context", unit="N·m", low=0, high=10)


class Readings(LogTable):
    """One reading of a gauge study: somebody measured something once."""

    item: str = schema_field("what was measured: a brake, by whatever the shop calls it", role="key", required=True)
    technician: str = schema_field("who measured it", role="key", required=True)
    repeat: int = schema_field("which time that technician measured it, from 1", role="key", low=1, high=1000)
    reading: float = schema_field("what was read, in any one unit", role="sign", required=True)


LOG_TABLES: dict[str, type[LogTable]] = {
    "sessions": Sessions,
    "comebacks": Comebacks,
    "passes": Passes,
    "technicians": Technicians,
    "coaching": Coaching,
    "brakes": Brakes,
}
STUDY_TABLES: dict[str, type[LogTable]] = {"readings": Readings}
"""What is mapped and judged like the log but is no part of it."""
