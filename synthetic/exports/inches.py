"""A workbook in inches, inch-pounds, fluid ounces and °F, with dates as dates or as text."""

from __future__ import annotations

from synthetic.exports.export_format import ExportFormat, ExportSheet, columns, levels

BLEEDS = columns("""
session_id | Ticket #
shop | Location
bike_id | Bike tag
brake | Brake end
technician | Mechanic
started_at | Date started
minutes | Bench time (min)
job_reason | Reason for service
brake_model | Brake model
bike_kind | Bike type
fluid_required | Fluid spec
fluid_used | Fluid used
kit_fluid | Bleed kit fluid
hose_route | Hose routing
hose_mm | Hose length (in) | in | 2
piston_pairs | Piston pairs
shop_temp_c | Shop temp (°F) | f | 1
lever_reach_mm | Lever reach (in) | in | 2
pads_out | Pads removed
pistons_seated | Pistons pushed back
blocks_fitted | Bleed blocks
block_mm | Block thickness (in) | in | 3
lever_syringe_fill | Lever syringe fill % | percent | 0
caliper_syringe_fill | Caliper syringe fill % | percent | 0
kit_purged | Kit purged
cycles | Cycles
volume_moved_ml | Fluid moved (fl oz) | fl_oz | 2
bubbles_first | Bubbles first cycle
bubbles_last | Bubbles last cycle
lever_vacuum_strokes | Vacuum strokes lever
settle_minutes | Settle time (sec) | s | 0
lever_syringe_end_ml | Lever syringe end (fl oz) | fl_oz | 3
caliper_syringe_end_ml | Caliper syringe end (fl oz) | fl_oz | 3
syringes_upright | Syringes upright
caliper_closed_first | Caliper closed first
port_seals_checked | O-rings checked
lever_port_nm | Lever port torque (in-lb) | in_lb | 1
caliper_port_nm | Caliper port torque (in-lb) | in_lb | 1
cleaned | Cleaned with alcohol
reach_restored | Reach restored
fluid_out | Old fluid condition
lever_travel_before_mm | Lever travel before (in) | in | 2
lever_travel_after_mm | Lever travel after (in) | in | 2
pump_gain_mm | Pump gain (in) | in | 2
hard_pull_firm | Firm on hard pull
leak_seen | Leak seen
""")
RETURNS = columns("""
comeback_id | Return #
session_id | Ticket #
bike_id | Bike tag
brake | Brake end
returned_at | Date returned
complaint | Complaint
finding | Diagnosis
minutes | Bench time (min)
parts_cost | Parts cost
""")
WORDS = levels("""
brake: front=F, rear=R
job_reason: scheduled=Scheduled, soft_lever=Soft lever, dirty_fluid=Dirty fluid, new_hose=New hose, new_brake=New brake, leak_repair=Leak repair, comeback=Comeback, other=Other
fluid_required: mineral=Mineral oil, dot5.1=DOT 5.1
fluid_used: mineral=Mineral oil, dot5.1=DOT 5.1
kit_fluid: mineral=Mineral oil, dot5.1=DOT 5.1
hose_route: external=External, internal=Internal
fluid_out: clear=Clear, cloudy=Cloudy, dark=Dark, gritty=Gritty
complaint: soft_lever=Spongy lever, long_travel=Long lever throw, leak=Leaking, drag=Rubbing, noise=Squeal, weak_braking=Weak brake, other=Other
finding: air=Air in line, leak=Leak, old_fluid=Old fluid, worn_part=Worn part, pads=Pads, none_found=No fault found, other=Other
""")

INCH_WORKBOOK = ExportFormat(
    name="inch_workbook",
    sheets=(
        ExportSheet("sessions", "service_log.xlsx", "Bleeds", BLEEDS),
        ExportSheet("comebacks", "service_log.xlsx", "Returns", RETURNS, ("Returns, all locations",)),
    ),
    levels=WORDS,
    yes="Y",
    no="N",
    moment="%m/%d/%Y %H:%M",
    day="%m/%d/%Y",
    typed=True,
    text_dates_share=0.3,
)
