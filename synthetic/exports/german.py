"""A German export: semicolons, cp1252, decimal commas, titles above and a totals line below the table."""

from __future__ import annotations

from synthetic.exports.export_format import ExportFormat, ExportSheet, columns, levels

BLEEDS = columns("""
session_id | Auftrag-Nr.
shop | Werkstatt
bike_id | Rahmen-Nr.
brake | Bremse
technician | Mechaniker
started_at | Beginn
minutes | Dauer [min]
job_reason | Anlass
brake_model | Bremsmodell
bike_kind | Radtyp
fluid_required | Flüssigkeit Soll
fluid_used | Flüssigkeit Ist
kit_fluid | Entlüftungsset für
hose_route | Leitungsführung
hose_mm | Leitungslänge [cm] | cm | 1
piston_pairs | Kolbenpaare
shop_temp_c | Temperatur [°C]
lever_reach_mm | Griffweite [mm]
pads_out | Beläge ausgebaut
pistons_seated | Kolben zurückgedrückt
blocks_fitted | Entlüftungsblöcke
block_mm | Blockdicke [mm]
lever_syringe_fill | Füllung Hebelspritze [%] | percent | 0
caliper_syringe_fill | Füllung Sattelspritze [%] | percent | 0
kit_purged | Set luftfrei gemacht
cycles | Durchgänge
volume_moved_ml | Menge bewegt [ml]
bubbles_first | Blasen erster Durchgang
bubbles_last | Blasen letzter Durchgang
lever_vacuum_strokes | Vakuumhübe Hebel
settle_minutes | Ruhezeit [min]
lever_syringe_end_ml | Rest Hebelspritze [ml]
caliper_syringe_end_ml | Rest Sattelspritze [ml]
syringes_upright | Spritzen senkrecht
caliper_closed_first | Sattel zuerst geschlossen
port_seals_checked | O-Ringe geprüft
lever_port_nm | Anzug Hebelschraube [Nm]
caliper_port_nm | Anzug Sattelschraube [Nm]
cleaned | gereinigt
reach_restored | Griffweite zurückgestellt
fluid_out | Altflüssigkeit
lever_travel_before_mm | Hebelweg vorher [mm]
lever_travel_after_mm | Hebelweg nachher [mm]
pump_gain_mm | Pumpgewinn [mm]
hard_pull_firm | fest bei kräftigem Zug
leak_seen | Leck gesehen
""")
RETURNS = columns("""
comeback_id | Reklamations-Nr.
session_id | Auftrag-Nr.
bike_id | Rahmen-Nr.
brake | Bremse
returned_at | Rückgabe am
complaint | Beanstandung
finding | Befund
minutes | Arbeitszeit [min]
parts_cost | Teilekosten [EUR]
""")
WORDS = levels("""
brake: front=vorne, rear=hinten
job_reason: scheduled=Wartung, soft_lever=Hebel weich, dirty_fluid=Flüssigkeit verschmutzt, new_hose=neue Leitung, new_brake=neue Bremse, leak_repair=Leck behoben, comeback=Reklamation, other=Sonstiges
bike_kind: cargo=Lastenrad, hire=Leihrad, longtail=Langheck, trike=Dreirad
fluid_required: mineral=Mineralöl, dot5.1=DOT 5.1
fluid_used: mineral=Mineralöl, dot5.1=DOT 5.1
kit_fluid: mineral=Mineralöl, dot5.1=DOT 5.1
hose_route: external=außen, internal=innen
fluid_out: clear=klar, cloudy=trüb, dark=dunkel, gritty=sandig
complaint: soft_lever=Hebel weich, long_travel=langer Hebelweg, leak=undicht, drag=schleift, noise=Geräusch, weak_braking=bremst schwach, other=Sonstiges
finding: air=Luft, leak=undicht, old_fluid=alte Flüssigkeit, worn_part=Verschleißteil, pads=Beläge, none_found=nichts gefunden, other=Sonstiges
""")

GERMAN_CSV = ExportFormat(
    name="german_csv",
    sheets=(
        ExportSheet(
            "sessions", "entlueftungen.csv", "", BLEEDS, ("Entlüftungsbuch", "Auszug, alle Werkstätten"), "Summe"
        ),
        ExportSheet("comebacks", "reklamationen.csv", "", RETURNS),
    ),
    levels=WORDS,
    yes="ja",
    no="nein",
    decimal=",",
    encoding="cp1252",
    moment="%d.%m.%Y %H:%M",
    day="%d.%m.%Y",
)
