"""A French tab-separated file, UTF-8 with a byte order mark, without IDs of bleeds and returns."""

from __future__ import annotations

from synthetic.exports.export_format import ExportFormat, ExportSheet, columns, levels

BLEEDS = columns("""
shop | Atelier
bike_id | N° de vélo
brake | Frein
technician | Technicien
started_at | Début
minutes | Durée (min)
job_reason | Motif
brake_model | Modèle de frein
bike_kind | Type de vélo
fluid_required | Liquide prescrit
fluid_used | Liquide utilisé
kit_fluid | Kit de purge pour
hose_route | Passage de durite
hose_mm | Longueur de durite (cm) | cm | 1
piston_pairs | Paires de pistons
shop_temp_c | Température (°C)
lever_reach_mm | Garde du levier (mm)
pads_out | Plaquettes déposées
pistons_seated | Pistons repoussés
blocks_fitted | Cales de purge
block_mm | Épaisseur de cale (mm)
lever_syringe_fill | Remplissage seringue levier (%) | percent | 0
caliper_syringe_fill | Remplissage seringue étrier (%) | percent | 0
kit_purged | Kit purgé d'air
cycles | Passages
volume_moved_ml | Volume déplacé (ml)
bubbles_first | Bulles premier passage
bubbles_last | Bulles dernier passage
lever_vacuum_strokes | Coups de vide au levier
settle_minutes | Repos (min)
lever_syringe_end_ml | Reste seringue levier (ml)
caliper_syringe_end_ml | Reste seringue étrier (ml)
syringes_upright | Seringues verticales
caliper_closed_first | Étrier fermé d'abord
port_seals_checked | Joints toriques vérifiés
lever_port_nm | Couple vis levier (N·m)
caliper_port_nm | Couple vis étrier (N·m)
cleaned | Nettoyé
reach_restored | Garde remise
fluid_out | Ancien liquide
lever_travel_before_mm | Course avant (mm)
lever_travel_after_mm | Course après (mm)
pump_gain_mm | Gain au pompage (mm)
hard_pull_firm | Ferme à forte traction
leak_seen | Fuite constatée
""")
RETURNS = columns("""
bike_id | N° de vélo
brake | Frein
returned_at | Date de retour
complaint | Plainte
finding | Constat
minutes | Durée (min)
parts_cost | Coût des pièces (€)
""")
WORDS = levels("""
brake: front=avant, rear=arrière
job_reason: scheduled=entretien, soft_lever=levier mou, dirty_fluid=liquide sale, new_hose=durite neuve, new_brake=frein neuf, leak_repair=fuite réparée, comeback=retour, other=autre
bike_kind: cargo=cargo, hire=location, longtail=rallongé, trike=tricycle
fluid_required: mineral=huile minérale, dot5.1=DOT 5.1
fluid_used: mineral=huile minérale, dot5.1=DOT 5.1
kit_fluid: mineral=huile minérale, dot5.1=DOT 5.1
hose_route: external=externe, internal=interne
fluid_out: clear=clair, cloudy=trouble, dark=foncé, gritty=granuleux
complaint: soft_lever=levier mou, long_travel=course longue, leak=fuite, drag=frottement, noise=bruit, weak_braking=freinage faible, other=autre
finding: air=air, leak=fuite, old_fluid=liquide usé, worn_part=pièce usée, pads=plaquettes, none_found=rien trouvé, other=autre
""")

FRENCH_TAB = ExportFormat(
    name="french_tab",
    sheets=(
        ExportSheet("sessions", "purges.tsv", "", BLEEDS),
        ExportSheet("comebacks", "retours.tsv", "", RETURNS),
    ),
    levels=WORDS,
    yes="oui",
    no="non",
    decimal=",",
    delimiter="\t",
    bom=True,
    moment="%d/%m/%Y %H:%M",
    day="%d/%m/%Y",
)
