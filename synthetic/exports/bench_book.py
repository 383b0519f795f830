"""The export of the demo: a workbook of bleeds, a semicolon file of returns, a small database of passes."""

from __future__ import annotations

from synthetic.exports.export_format import ExportFormat, ExportSheet, columns, levels

BLEEDS = columns("""
session_id | Job no
shop | Workshop
bike_id | Bike tag
brake | Brake end
technician | Hand
started_at | Began
minutes | Bench minutes
job_reason | Why it came in
brake_model | Brake
bike_kind | Kind of bike
fluid_required | Fluid asked for
fluid_used | Fluid put in
kit_fluid | Kit kept for
hose_route | Hose run
hose_mm | Hose length (in) | in | 2
piston_pairs | Piston pairs
shop_temp_c | Shop temp (°F) | f | 1
lever_reach_mm | Lever reach (in) | in | 2
pads_out | Pads out?
pistons_seated | Pistons home?
blocks_fitted | Bleed blocks in
block_mm | Block thickness mm
lever_syringe_fill | Lever syringe full (%) | percent | 0
caliper_syringe_fill | Caliper syringe full (%) | percent | 0
kit_purged | Kit cleared of air?
cycles | Rounds of fluid
volume_moved_ml | Fluid moved ml
bubbles_first | Bubbles, first round
bubbles_last | Bubbles, last round
lever_vacuum_strokes | Vacuum strokes at lever
settle_minutes | Waited (min)
lever_syringe_end_ml | Left in lever syringe ml
caliper_syringe_end_ml | Left in caliper syringe ml
syringes_upright | Syringes upright?
caliper_closed_first | Caliper shut first?
port_seals_checked | O-rings on?
lever_port_nm | Lever screw (in-lb) | in_lb | 1
caliper_port_nm | Caliper screw (in-lb) | in_lb | 1
cleaned | Wiped clean?
reach_restored | Rider's reach back?
fluid_out | Old fluid was
lever_travel_before_mm | Travel before mm
lever_travel_after_mm | Travel after mm
pump_gain_mm | Pumps up by mm
hard_pull_firm | Firm on hard pull?
leak_seen | Leak seen?
""")
RETURNS = columns("""
comeback_id | Return no
session_id | Job no
bike_id | Bike tag
brake | Brake end
returned_at | Came back on
complaint | Rider says
finding | We found
minutes | Bench minutes
parts_cost | Parts EUR
""")
PASSES = columns("""
session_id | job_no
pass_no | pass_no
direction | way
ml | ml
bubbles | bubbles
seconds | seconds
""")
PEOPLE = columns("""
technician | Hand
started_on | First day
shop | Workshop
""")
COACHING = columns("""
technician | Hand
coached_on | Coached on
step | Step
""")
BRAKES = columns("""
brake_model | Brake
lever_ratio | Lever ratio
master_bore_mm | Master bore mm
caliper_bore_mm | Caliper bore mm
hose_bore_mm | Hose bore mm
hose_mm | Hose length mm
travel_reference_mm | Travel when firm mm
port_nm_min | Port screw min Nm
port_nm_max | Port screw max Nm
""")
WORDS = levels("""
brake: front=front, rear=back
job_reason: scheduled=planned service, soft_lever=lever soft, dirty_fluid=fluid dirty, new_hose=new hose, new_brake=new brake, leak_repair=leak repaired, comeback=came back, other=something else
fluid_required: mineral=mineral oil, dot5.1=DOT 5.1
fluid_used: mineral=mineral oil, dot5.1=DOT 5.1
kit_fluid: mineral=mineral oil, dot5.1=DOT 5.1
hose_route: external=outside, internal=in the frame
fluid_out: clear=clear, cloudy=cloudy, dark=dark, gritty=gritty
complaint: soft_lever=soft lever, long_travel=long pull, leak=leaks, drag=rubs, noise=noise, weak_braking=weak brakes, other=other
finding: air=air, leak=leak, old_fluid=old fluid, worn_part=worn part, pads=pads, none_found=nothing found, other=other
direction: down=down, up=up
""")
BOOK = "bench-book.xlsx"

BENCH_BOOK = ExportFormat(
    name="bench_book",
    sheets=(
        ExportSheet("sessions", BOOK, "Bleeds to 2025", BLEEDS, until_year=2025),
        ExportSheet("sessions", BOOK, "Bleeds 2026", BLEEDS, from_year=2026),
        ExportSheet("technicians", BOOK, "People", PEOPLE),
        ExportSheet("coaching", BOOK, "Coaching", COACHING),
        ExportSheet("brakes", BOOK, "Brakes", BRAKES),
        ExportSheet("comebacks", "came-back.csv", "", RETURNS, ("Brakes that came back",)),
        ExportSheet("passes", "bench-notes.sqlite", "passes", PASSES),
    ),
    levels=WORDS,
    yes="yes",
    no="no",
    decimal=",",
    encoding="cp1252",
    moment="%d.%m.%Y %H:%M",
    day="%d.%m.%Y",
    typed=True,
    text_dates_share=0.1,
)
