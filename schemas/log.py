"""The bleed log: the tables after intake, one model per table.

Field names end in their unit. A field that is not required may be empty or absent: *not recorded* is kept as such,
never treated as done or missed.
"""

from __future__ import annotations

from functools import cache
from typing import Annotated

import pandera.polars as pa
import polars as pl

from schemas.field import Entry, field_entries, schema_field

BRAKES = ("front", "rear")
JOB_REASONS = (
    "scheduled", "soft_lever", "dirty_fluid", "new_hose", "new_brake", "leak_repair", "comeback", "other",
)  # fmt: skip
RETURN_REASONS = ("comeback", "soft_lever")
"""Reasons that make a job the repair of an earlier bleed of the brake, if there is one."""
FLUIDS = ("mineral", "dot3", "dot4", "dot5.1")
FLUID_NAMES = {"mineral": "mineral oil", "dot3": "DOT 3", "dot4": "DOT 4", "dot5.1": "DOT 5.1"}
"""Fluids in a mechanic's words."""
HOSE_ROUTES = ("external", "internal")
FLUID_OUT = ("clear", "cloudy", "dark", "gritty")
COMPLAINTS = ("soft_lever", "long_travel", "leak", "drag", "noise", "weak_braking", "other")
FINDINGS = ("air", "leak", "old_fluid", "worn_part", "pads", "none_found", "other")
DIRECTIONS = ("down", "up")
ACTION_KINDS = ("recall", "second_check")
ACTION_OUTCOMES = ("firm", "re_bled", "fault_found", "not_reached", "declined", "elsewhere")
TRIAL_UNITS = ("bleed", "bike", "technician", "workshop", "week")

Moment = Annotated[pl.Datetime, "us", None]
"""A date or local date-time; the column `<field>_has_time` says whether a time was recorded."""


class LogTable(pa.DataFrameModel):
    """Base of the log's tables; a table may also have the workshop's own columns and the origin of each row."""

    class Config:
        strict = False
        metadata = None

    @classmethod
    def to_schema(cls) -> pa.DataFrameSchema:
        """The schema; a column that is not a required field may be absent."""
        schema = super().to_schema()
        for column in schema.columns.values():
            column.required = column.metadata["required"]
        return schema


class Sessions(LogTable):
    """One bleed of one brake."""

    session_id: str = schema_field(
        "job number; made from the other columns if there is none",
        label="job number",
        role="key",
        sheet="before",
        required=True,
        unique=True,
    )
    shop: str = schema_field("workshop", role="context", sheet="before")
    bike_id: str = schema_field("bike: tag or frame number", label="bike", role="key", sheet="before", required=True)
    brake: str = schema_field(
        "which brake: front or rear", label="brake", role="context", sheet="before", levels=BRAKES, required=True
    )
    technician: str = schema_field(
        "technician who bled it", label="technician", role="context", sheet="before", required=True
    )
    started_at: Moment = schema_field(
        "start of the bleed (from 1990-01-01 to the last day of the log)",
        label="start",
        role="context",
        sheet="before",
        required=True,
    )
    minutes: float = schema_field("bench minutes", role="sign", sheet="after", unit="min", low=2, high=480)
    job_reason: str = schema_field("reason for the job", role="context", sheet="before", levels=JOB_REASONS)
    brake_model: str = schema_field("brake model", role="context", sheet="before")
    bike_kind: str = schema_field("kind of bike", role="context")
    fluid_required: str = schema_field("fluid required by the maker", role="context", sheet="before", levels=FLUIDS)
    fluid_used: str = schema_field("fluid used", role="technique", sheet="after", levels=FLUIDS)
    kit_fluid: str = schema_field(
        "fluid the kit is reserved for",
        label="kit reserved for (fluid)",
        role="technique",
        sheet="before",
        levels=FLUIDS,
    )
    fluid_lot: str = schema_field("fluid lot", role="context", sheet="before")
    kit_id: str = schema_field("bleed kit: its number or name", label="bleed kit", role="context", sheet="before")
    hose_lot: str = schema_field("lot of the newly fitted hose", label="hose lot", role="context")
    hose_route: str = schema_field(
        "hose outside or inside the frame", label="hose routing", role="context", sheet="before", levels=HOSE_ROUTES
    )
    hose_mm: float = schema_field("hose length", role="context", unit="mm", low=300, high=3000)
    piston_pairs: int = schema_field(
        "pairs of pistons in the caliper", label="pairs of pistons", role="context", sheet="before", low=1, high=3
    )
    shop_temp_c: float = schema_field("workshop temperature", role="context", unit="°C", low=-10, high=50)
    trial: str = schema_field("trial that this bleed belongs to", label="trial", role="context")
    trial_arm: str = schema_field("trial arm", role="context")
    trial_unit: str = schema_field(
        "what was assigned to the arms at random",
        label="unit of randomisation",
        role="context",
        levels=TRIAL_UNITS,
    )
    lever_reach_mm: float = schema_field(
        "lever tip to centre of the handlebar while bleeding",
        label="lever reach",
        role="technique",
        unit="mm",
        low=40,
        high=130,
    )
    pads_out: bool = schema_field("pads removed from the caliper", label="pads out", role="technique")
    pistons_seated: bool = schema_field("pistons pushed fully back", label="pistons pushed back", role="technique")
    blocks_fitted: int = schema_field(
        "number of bleed blocks fitted", label="bleed blocks fitted", role="technique", low=0, high=3
    )
    block_mm: float = schema_field("bleed block thickness", role="technique", unit="mm", low=5, high=25)
    lever_syringe_fill: float = schema_field(
        "how full the lever syringe was, as a fraction",
        label="lever syringe fill",
        role="technique",
        unit="fraction",
        low=0,
        high=1,
    )
    caliper_syringe_fill: float = schema_field(
        "how full the caliper syringe was, as a fraction",
        label="caliper syringe fill",
        role="technique",
        unit="fraction",
        low=0,
        high=1,
    )
    kit_purged: bool = schema_field("syringes and hoses of the kit purged of air", label="kit purged", role="technique")
    cycles: int = schema_field(
        "passes: fluid pushed from one syringe to the other and back",
        label="passes",
        role="technique",
        place="passes",
        low=0,
        high=30,
    )
    volume_moved_ml: float = schema_field(
        "total fluid moved in all passes",
        label="fluid moved",
        role="technique",
        place="passes",
        unit="ml",
        low=0,
        high=1000,
    )
    bubbles_first: int = schema_field(
        "bubbles counted in the first pass",
        label="bubbles in the first pass",
        role="sign",
        place="first pass",
        sheet="after",
        low=0,
        high=500,
    )
    bubbles_last: int = schema_field(
        "bubbles counted in the last pass",
        label="bubbles in the last pass",
        role="sign",
        place="passes",
        low=0,
        high=500,
    )
    lever_vacuum_strokes: int = schema_field(
        "vacuum-and-pressure strokes at the lever",
        label="vacuum strokes at the lever",
        role="technique",
        place="closing",
        low=0,
        high=60,
    )
    settle_minutes: float = schema_field(
        "time allowed for bubbles to rise",
        label="settling time",
        role="technique",
        place="closing",
        unit="min",
        low=0,
        high=1440,
    )
    lever_syringe_end_ml: float = schema_field(
        "fluid left in the lever syringe at the end",
        label="fluid left in the lever syringe",
        role="technique",
        place="closing",
        unit="ml",
        low=0,
        high=200,
    )
    caliper_syringe_end_ml: float = schema_field(
        "fluid left in the caliper syringe at the end",
        label="fluid left in the caliper syringe",
        role="technique",
        place="closing",
        unit="ml",
        low=0,
        high=200,
    )
    syringes_upright: bool = schema_field(
        "both syringes held upright while fluid moved",
        label="syringes held upright",
        role="technique",
        place="first pass",
    )
    caliper_closed_first: bool = schema_field(
        "caliper port closed before the lever port was opened to air",
        label="caliper port closed first",
        role="technique",
        place="closing",
    )
    port_seals_checked: bool = schema_field("O-rings on both port screws checked", role="technique", place="closing")
    lever_port_nm: float = schema_field(
        "lever port screw torque",
        label="lever port torque",
        role="technique",
        place="closing",
        unit="N·m",
        low=0,
        high=10,
    )
    caliper_port_nm: float = schema_field(
        "caliper port screw torque",
        label="caliper port torque",
        role="technique",
        place="closing",
        unit="N·m",
        low=0,
        high=10,
    )
    cleaned: bool = schema_field(
        "lever and caliper wiped with alcohol before the pads were refitted",
        label="cleaned",
        role="technique",
        place="after",
    )
    reach_restored: bool = schema_field(
        "lever reach reset to the rider's setting", label="lever reach reset", role="technique", place="after"
    )
    fluid_out: str = schema_field(
        "condition of the old fluid as it came out", label="old fluid", role="context", sheet="before", levels=FLUID_OUT
    )
    lever_travel_before_mm: float = schema_field(
        "lever travel to the bite point before the bleed, at the lever tip",
        label="lever travel before",
        role="context",
        sheet="before",
        unit="mm",
        low=0,
        high=120,
    )
    lever_travel_after_mm: float = schema_field(
        "lever travel to the bite point after the bleed, at the lever tip",
        label="lever travel after",
        role="sign",
        sheet="after",
        unit="mm",
        low=0,
        high=120,
    )
    pump_gain_mm: float = schema_field(
        "pump-up: how much shorter the lever travel is after five quick pulls",
        label="pump-up",
        role="sign",
        sheet="after",
        unit="mm",
        low=-5,
        high=60,
    )
    hard_pull_firm: bool = schema_field(
        "lever firm under a hard pull", label="firm under a hard pull", role="sign", sheet="after"
    )
    leak_seen: bool = schema_field("leak seen", role="sign", sheet="after")
    note: str = schema_field("notes", sheet="after")


class Comebacks(LogTable):
    """One return of one brake."""

    comeback_id: str = schema_field(
        "return number; made from the other columns if there is none",
        label="return number",
        role="key",
        required=True,
        unique=True,
    )
    session_id: str = schema_field("the bleed it belongs to, if recorded", label="job number", role="key")
    bike_id: str = schema_field("bike: tag or frame number", label="bike", role="key", required=True)
    brake: str = schema_field("which brake: front or rear", label="brake", role="context", levels=BRAKES)
    returned_at: Moment = schema_field(
        "when it came back (from 1990-01-01 to the last day of the log)",
        label="return date",
        role="outcome",
        required=True,
    )
    complaint: str = schema_field("rider's complaint", label="complaint", role="outcome", levels=COMPLAINTS)
    finding: str = schema_field("fault found in the workshop", label="fault found", role="outcome", levels=FINDINGS)
    minutes: float = schema_field("bench minutes", role="outcome", unit="min", low=0, high=480)
    parts_cost: float = schema_field(
        "cost of parts, in the workshop's currency",
        label="cost of parts",
        role="outcome",
        unit="currency",
        low=0,
        high=1_000_000,
    )


class Passes(LogTable):
    """One push of fluid, down or up. A push down and a push up make one pass, so `pass_no` counts pushes."""

    session_id: str = schema_field("the bleed it belongs to", label="job number", role="key", required=True)
    pass_no: int = schema_field(
        "push number within the bleed, from 1",
        label="push number",
        role="key",
        required=True,
        low=1,
        high=60,
    )
    direction: str = schema_field(
        "direction of the push", label="direction", role="technique", levels=DIRECTIONS, place="passes"
    )
    ml: float = schema_field("fluid moved", role="technique", place="passes", unit="ml", low=0, high=200)
    bubbles: int = schema_field("bubbles counted", label="bubbles", role="sign", place="passes", low=0, high=500)
    seconds: float = schema_field("time taken", role="technique", place="passes", unit="s", low=0, high=3600)


class Technicians(LogTable):
    """One technician."""

    technician: str = schema_field("name", label="technician", role="key", required=True, unique=True)
    started_on: pl.Date = schema_field("first day in the workshop", label="first day", role="context")
    shop: str = schema_field("workshop", role="context")


class Coaching(LogTable):
    """One coaching session."""

    technician: str = schema_field("technician who was coached", label="technician", role="key", required=True)
    coached_on: pl.Date = schema_field("date of the session", label="coaching date", role="key", required=True)
    step: str = schema_field("step coached, by its ID in the procedure", label="step", role="key", required=True)


class Measures(LogTable):
    """One change in how a workshop works."""

    shop: str = schema_field("workshop; empty for all", label="workshop", role="context")
    began_on: pl.Date = schema_field("first day of the change", label="date of the change", role="key", required=True)
    what: str = schema_field("what changed", label="change", role="key", required=True)
    step: str = schema_field("step concerned, by its ID in the procedure", label="step", role="context")


class Brakes(LogTable):
    """One brake model and its dimensions."""

    brake_model: str = schema_field("brake model", role="key", required=True, unique=True)
    lever_ratio: float = schema_field(
        "lever-tip travel ÷ master-piston travel", label="lever ratio", role="context", low=1, high=20
    )
    master_bore_mm: float = schema_field("master cylinder bore", role="context", unit="mm", low=4, high=25)
    caliper_bore_mm: float = schema_field("caliper piston bore", role="context", unit="mm", low=8, high=50)
    hose_bore_mm: float = schema_field("hose bore", role="context", unit="mm", low=0.5, high=6)
    hose_mm: float = schema_field(
        "hose length as supplied", label="hose length", role="context", unit="mm", low=300, high=3000
    )
    travel_reference_mm: float = schema_field(
        "lever travel of a well-bled brake", label="reference lever travel", role="context", unit="mm", low=0, high=120
    )
    port_nm_min: float = schema_field(
        "minimum port screw torque", label="minimum port torque", role="context", unit="N·m", low=0, high=10
    )
    port_nm_max: float = schema_field(
        "maximum port screw torque", label="maximum port torque", role="context", unit="N·m", low=0, high=10
    )


class Actions(LogTable):
    """One brake to recall or check a second time, and the outcome; an audit's `to_do.csv` has these columns."""

    action_id: str = schema_field(
        "number of the recall or check", label="action number", role="key", required=True, unique=True
    )
    kind: str = schema_field(
        "recall, or second check", label="recall or check", role="key", levels=ACTION_KINDS, required=True
    )
    session_id: str = schema_field("the bleed it is about", label="job number", role="key")
    bike_id: str = schema_field("bike: tag or frame number", label="bike", role="key")
    brake: str = schema_field("which brake: front or rear", label="brake", role="key", levels=BRAKES)
    shop: str = schema_field("workshop", role="context")
    technician: str = schema_field("technician who bled it", label="bled by", role="context")
    bled_on: pl.Date = schema_field("date bled", role="context")
    reason: str = schema_field("reason")
    risk: float = schema_field(
        "chance of a comeback when the list was made", label="risk", unit="fraction", low=0, high=1
    )
    done_on: pl.Date = schema_field("date it was done; empty if still to do", label="done on", role="outcome")
    by: str = schema_field("who did it", role="outcome")
    outcome: str = schema_field("outcome", role="outcome", levels=ACTION_OUTCOMES)
    minutes: float = schema_field("minutes taken", role="outcome", unit="min", low=0, high=480)
    note: str = schema_field("notes")


class Readings(LogTable):
    """One reading of a gauge study."""

    item: str = schema_field("item measured, for example a brake", label="item", role="key", required=True)
    technician: str = schema_field("technician who measured it", label="technician", role="key", required=True)
    repeat: int = schema_field(
        "repeat number for that technician, from 1", label="repeat", role="key", low=1, high=1000
    )
    reading: float = schema_field("the reading, all in one unit", label="reading", role="sign", required=True)


LOG_TABLES: dict[str, type[LogTable]] = {
    "sessions": Sessions,
    "comebacks": Comebacks,
    "passes": Passes,
    "technicians": Technicians,
    "coaching": Coaching,
    "measures": Measures,
    "brakes": Brakes,
    "actions": Actions,
}
STUDY_TABLES: dict[str, type[LogTable]] = {"readings": Readings}
"""Tables that are mapped and validated like the log but are not part of it."""


@cache
def log_fields() -> dict[str, Entry]:
    """Every field of the log by name; one that several tables share as in the first of them."""
    entries = [entry for table, model in LOG_TABLES.items() for entry in field_entries(table, model)]
    return {entry.name: entry for entry in reversed(entries)}


def field_label(name: str) -> str:
    """A field in a mechanic's words; a custom field by its own name."""
    entry = log_fields().get(name)
    return entry.label if entry else name.removeprefix("own.").replace("_", " ")


def reading_label(name: str) -> str:
    """A reading with its unit: `lever reach, mm`."""
    entry = log_fields().get(name)
    return field_label(name) + (f", {entry.unit}" if entry and entry.unit not in ("", "fraction") else "")
