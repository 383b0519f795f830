"""A small SQLite database with abbreviated names."""

from __future__ import annotations

from synthetic.exports.export_format import ExportFormat, ExportSheet, columns, levels

BLEEDS = columns("""
session_id | bleed_no
shop | shop_nm
bike_id | bike_no
brake | brk_pos
technician | tech
started_at | start_ts
minutes | dur_min
job_reason | job_rsn
brake_model | brk_mdl
bike_kind | bike_typ
fluid_required | fluid_req
fluid_used | fluid_used
kit_fluid | kit_fluid
hose_route | hose_rte
hose_mm | hose_len_mm
piston_pairs | pist_prs
shop_temp_c | temp_c
lever_reach_mm | reach_mm
pads_out | pads_out
pistons_seated | pist_seated
blocks_fitted | n_blocks
block_mm | blk_thk_mm
lever_syringe_fill | lvr_syr_fill
caliper_syringe_fill | cal_syr_fill
kit_purged | kit_purged
cycles | n_cycles
volume_moved_ml | vol_ml
bubbles_first | bub_first
bubbles_last | bub_last
lever_vacuum_strokes | lvr_vac_strk
settle_minutes | settle_min
lever_syringe_end_ml | lvr_syr_end_ml
caliper_syringe_end_ml | cal_syr_end_ml
syringes_upright | syr_upright
caliper_closed_first | cal_closed_1st
port_seals_checked | seals_chk
lever_port_nm | lvr_port_nm
caliper_port_nm | cal_port_nm
cleaned | cleaned
reach_restored | reach_rst
fluid_out | fluid_out
lever_travel_before_mm | trvl_bef_mm
lever_travel_after_mm | trvl_aft_mm
pump_gain_mm | pump_gain_mm
hard_pull_firm | hard_pull_ok
leak_seen | leak
""")
RETURNS = columns("""
comeback_id | rtn_no
session_id | bleed_no
bike_id | bike_no
brake | brk_pos
returned_at | rtn_ts
complaint | cmplnt
finding | fndg
minutes | dur_min
parts_cost | parts_cost
""")
PASSES = columns("""
session_id | bleed_no
pass_no | pass_no
direction | dir
ml | vol_ml
bubbles | bubbles
seconds | secs
""")
WORDS = levels("""
brake: front=F, rear=R
job_reason: scheduled=SCHED, soft_lever=SOFT, dirty_fluid=DIRTY, new_hose=HOSE, new_brake=NEW, leak_repair=LEAK, comeback=CBK, other=OTH
fluid_required: mineral=MIN, dot5.1=DOT51
fluid_used: mineral=MIN, dot5.1=DOT51
kit_fluid: mineral=MIN, dot5.1=DOT51
hose_route: external=EXT, internal=INT
fluid_out: clear=CLR, cloudy=CLDY, dark=DRK, gritty=GRT
complaint: soft_lever=SOFT, long_travel=LONG, leak=LEAK, drag=DRAG, noise=NOISE, weak_braking=WEAK, other=OTH
finding: air=AIR, leak=LEAK, old_fluid=OLD, worn_part=WORN, pads=PADS, none_found=NFF, other=OTH
direction: down=D, up=U
""")

SQLITE_SHOP = ExportFormat(
    name="sqlite_shop",
    sheets=(
        ExportSheet("sessions", "shop.sqlite", "bleeds", BLEEDS),
        ExportSheet("comebacks", "shop.sqlite", "rtns", RETURNS),
        ExportSheet("passes", "shop.sqlite", "bleed_passes", PASSES),
    ),
    levels=WORDS,
    yes="1",
    no="0",
    moment="%Y-%m-%d %H:%M:%S",
    typed=True,
    text_dates_share=1.0,
)
