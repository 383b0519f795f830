"""Invented exports of many workshops with the true field of each heading, and columns that only look like a field.

One line per column: heading | field (or - if it is not a field of the log) | form of its cells. Cells of a field come from
a simulated log: `x FACTOR DIGITS` in another unit, `level=word, …` in other words, `?word` a word for 'not recorded', in
one row of twelve. Other columns: `counts LOW HIGH`, `numbers LOW HIGH DIGITS`, `days`, `one of a, b, c`, `ids PREFIX`.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from schemas import LOG_TABLES, Entry, field_entries

NO_FIELD = "-"
ROWS = 240


@dataclass(frozen=True)
class Invented:
    """One sheet: its columns, its words for yes and no, and its formats of dates and numbers."""

    name: str
    rows: str
    yes: str = "yes"
    no: str = "no"
    day: str = "%Y-%m-%d"
    decimal: str = "."
    delimiter: str = ","

    @property
    def columns(self) -> list[tuple[str, str, str]]:
        parts = [[part.strip() for part in line.split("|")] for line in self.rows.strip().splitlines()]
        return [(heading, name, how[0] if how else "") for heading, name, *how in parts]


@dataclass(frozen=True)
class SheetFile:
    """A sheet as a file: the true field of each heading, the factor from the field's unit, the word for 'not recorded'."""

    path: Path
    truth: dict[str, str]
    factor: dict[str, float]
    nothing: dict[str, str] = field(default_factory=dict)


def write_sheet(sheet: Invented, sessions: pl.DataFrame, folder: Path) -> SheetFile:
    """Write the sheet, with cells from a simulated log or drawn at random."""
    rng = random.Random(sheet.name)
    entries = {entry.name: entry for entry in field_entries("sessions", LOG_TABLES["sessions"])}
    cells, truth, factor, nothing = {}, {}, {}, {}
    for heading, name, how in sheet.columns:
        truth[heading] = name
        if name == NO_FIELD:
            cells[heading] = _random_cells(sheet, how, rng, sessions)
        else:
            cells[heading] = _log_cells(sheet, entries[name.split("/")[0]], how, sessions)
            if how.startswith("x "):
                factor[heading] = float(how.split()[1])
            if "?" in how:
                nothing[heading] = how.split("?", 1)[1].strip()
                cells[heading] = [nothing[heading] if rng.random() < 1 / 12 else cell for cell in cells[heading]]
    path = folder / f"{sheet.name}.csv"
    pl.DataFrame(cells).write_csv(path, separator=sheet.delimiter)
    return SheetFile(path, truth, factor, nothing)


def _log_cells(sheet: Invented, entry: Entry, how: str, sessions: pl.DataFrame) -> list[str]:
    values = sessions.get_column(entry.name).head(ROWS).to_list()
    words = dict(pair.strip().split("=", 1) for pair in how.split("?")[0].split(",") if "=" in pair)
    if entry.type in ("date", "date or date-time"):
        return [value.strftime(sheet.day) for value in values]
    if entry.type == "true/false":
        words_of = {True: words.get("true", sheet.yes), False: words.get("false", sheet.no), None: ""}
        return [words_of[value] for value in values]
    if entry.type in ("number", "whole number"):
        _, times, digits = how.split() if how.startswith("x ") else ("x", "1", "0" if entry.type != "number" else "1")
        return [_number(sheet, value, float(times), int(digits)) for value in values]
    return ["" if value is None else words.get(value, str(value)) for value in values]


def _number(sheet: Invented, value: float | None, times: float, digits: int) -> str:
    return "" if value is None else f"{value * times:.{digits}f}".replace(".", sheet.decimal)


def _random_cells(sheet: Invented, how: str, rng: random.Random, sessions: pl.DataFrame) -> list[str]:
    kind, _, rest = how.partition(" ")
    if kind == "one":
        words = [word.strip() for word in rest.removeprefix("of ").split(",")]
        return [rng.choice(words) for _ in range(ROWS)]
    if kind == "days":
        later = sessions.get_column("started_at").dt.offset_by(f"{rng.randint(20, 90)}d").head(ROWS)
        return [day.strftime(sheet.day) for day in later]
    if kind == "ids":
        return [f"{rest}{rng.randint(1000, 99999)}" for _ in range(ROWS)]
    low, high, *digits = rest.split()
    if kind == "counts":
        return [str(rng.randint(int(low), int(high))) for _ in range(ROWS)]
    return [_number(sheet, rng.uniform(float(low), float(high)), 1, int(digits[0])) for _ in range(ROWS)]


LEARNED = (
    Invented(
        "english_bench_diary",
        """
Ticket | session_id
Bike tag | bike_id
End of bike | brake | front=F, rear=R
Bled by | technician
Checked by | - | one of Ash, Elm, Rowan
Day | started_at
Next service due | - | days
Labour (min) | minutes
Make of brake | brake_model
Oil put in | fluid_used
Bar to lever mm | lever_reach_mm
Pads in | - | one of yes, no
Pistons pushed home | pistons_seated | ?don't know
Nr pumps | - | counts 0 6
Pumps to firm | - | counts 1 9
Rounds | cycles
Bubbles? | - | one of yes, no
Bubbles at end | bubbles_last
Syringe size ml | - | one of 10, 20, 30
Old fluid look | fluid_out | ?not sure
Throw before | lever_travel_before_mm | x 0.1 1
Throw after | lever_travel_after_mm | x 0.1 1
Not cleaned | - | one of yes, no
Tyre pressure | - | numbers 2 4 1
Pad thickness mm | - | numbers 1 4 1
Rotor mm | - | one of 160, 180, 203
Invoice total | - | numbers 20 90 2
""",
        day="%d/%m/%Y",
    ),
    Invented(
        "german_counter_list",
        """
Lfd. Nr. | session_id
Fahrrad | bike_id
Seite | brake | front=vorn, rear=hinten
Wer | technician
Kunde | - | one of Müller, Meier, Schulz, Weber
Tag | started_at
Abholtermin | - | days
Dauer Std. | minutes | x 0.0166667 2
Anzahl Pumpstöße | - | counts 0 6
Pumpgewinn mm | pump_gain_mm
Unterdruckhübe | lever_vacuum_strokes
Wartezeit | settle_minutes
Blasen am Schluss | bubbles_last
Kolben zurück | pistons_seated | ?weiß nicht
O-Ring kontrolliert | port_seals_checked | ?weiss nicht
Beläge raus | pads_out | ?unklar
Spritzen senkrecht gehalten | syringes_upright | ?keine Ahnung
Nicht gereinigt | - | one of ja, nein
Kein Leck | - | one of ja, nein
Anzug Hebel | lever_port_nm
Anzug Sattel Nm | caliper_port_nm
Anzahl Schrauben | - | counts 1 4
Griffweite mm | lever_reach_mm
Belagdicke mm | - | numbers 1 4 1
Altöl | fluid_out | clear=klar, cloudy=milchig, dark=schwarz, gritty=körnig
Rechnungsbetrag | - | numbers 20 90 2
""",
        "ja",
        "nein",
        "%d.%m.%Y",
        ",",
        ";",
    ),
    Invented(
        "french_notebook",
        """
N° OR | session_id
Cadre | bike_id
Position | brake | front=AV, rear=AR
Mécano | technician
Client | - | one of Martin, Durand, Petit
Date purge | started_at
Date facture | - | days
Temps passé (min) | minutes
Nombre de pompages | - | counts 0 6
Nb cycles | cycles
Volume passé | volume_moved_ml
Bulles premier cycle | bubbles_first
Bulles fin | bubbles_last
Pistons rentrés | pistons_seated | ?ne sait pas
Joints vérifiés | port_seals_checked | ?je ne sais pas
Plaquettes sorties | pads_out | ?pas vu
Nettoyé alcool | cleaned | ?nsp
Course avant | lever_travel_before_mm
Course après | lever_travel_after_mm
Couple vis levier (Nm) | lever_port_nm
Nb de vis | - | counts 1 4
Épaisseur plaquettes | - | numbers 1 4 1
Ferme | hard_pull_firm | true=ferme, false=mou
Sans fuite | - | one of oui, non
Prix TTC | - | numbers 20 90 2
""",
        "oui",
        "non",
        "%d/%m/%Y",
        ",",
        ";",
    ),
    Invented(
        "dutch_repair_cards",
        """
Bonnummer | session_id
Fiets | bike_id
Rem | brake | front=voor, rear=achter
Monteur | technician
Klant | - | one of De Vries, Jansen, Bakker
Datum | started_at
Ophaaldatum | - | days
Minuten | minutes
Aantal keer pompen | - | counts 0 6
Slagen vacuüm | lever_vacuum_strokes
Aantal gangen | cycles
Bellen laatste | bubbles_last
Blokken uit | pads_out | ?weet niet
Zuigers terug | pistons_seated | ?weet ik niet
Schoongemaakt | cleaned | ?n.v.t.
Reikwijdte hendel mm | lever_reach_mm
Hendelweg voor | lever_travel_before_mm
Hendelweg na | lever_travel_after_mm
Aanhaalmoment hendel | lever_port_nm
Aantal bouten | - | counts 1 4
Lek gezien | leak_seen
Niet schoongemaakt | - | one of ja, nee
Bandenspanning | - | numbers 2 4 1
Bedrag | - | numbers 20 90 2
""",
        "ja",
        "nee",
        "%d-%m-%Y",
        ",",
        ";",
    ),
)

HELD_OUT = (
    Invented(
        "spanish_workshop_book",
        """
Orden | session_id
Bici | bike_id
Freno | brake | front=delantero, rear=trasero
Mecánico | technician
Cliente | - | one of García, López, Pérez
Fecha | started_at
Próxima revisión | - | days
Duración min | minutes
Número de bombeos | - | counts 0 6
Ganancia bombeo mm | pump_gain_mm
Ciclos | cycles
Espera min | settle_minutes
Burbujas final | bubbles_last
Pistones dentro | pistons_seated | ?no sé
Pastillas fuera | pads_out | ?no sabe
Juntas revisadas | port_seals_checked | ?sin comprobar
Sin limpiar | - | one of si, no
Limpiado | cleaned
Par tornillo maneta Nm | lever_port_nm
Par tornillo pinza | caliper_port_nm | x 8.85 0
Recorrido antes mm | lever_travel_before_mm
Recorrido después mm | lever_travel_after_mm
Distancia maneta cm | lever_reach_mm | x 0.1 1
Grosor pastillas | - | numbers 1 4 1
Precio | - | numbers 20 90 2
""",
        "si",
        "no",
        "%d/%m/%Y",
        ",",
        ";",
    ),
    Invented(
        "italian_log",
        """
Scheda n. | session_id
Bicicletta | bike_id
Lato | brake | front=ant, rear=post
Meccanico | technician
Cliente | - | one of Rossi, Bianchi, Ferri
Data | started_at
Consegna | - | days
Durata | minutes
N. pompate | - | counts 0 6
Passate | cycles
Bolle ultima passata | bubbles_last
Pistoni arretrati | pistons_seated | ?non so
Pastiglie tolte | pads_out | ?non ricordo
Guarnizioni controllate | port_seals_checked | ?boh
Pulito con alcool | cleaned
Corsa prima mm | lever_travel_before_mm
Corsa dopo mm | lever_travel_after_mm
Coppia leva | lever_port_nm | x 8.85 1
Coppia pinza Nm | caliper_port_nm
Numero viti | - | counts 1 4
Leva dura | hard_pull_firm
Senza perdite | - | one of si, no
Spessore pastiglie mm | - | numbers 1 4 1
Importo | - | numbers 20 90 2
""",
        "si",
        "no",
        "%d/%m/%Y",
        ",",
        ";",
    ),
    Invented(
        "portuguese_sheet",
        """
Ordem de serviço | session_id
Bicicleta | bike_id
Travão | brake | front=frente, rear=trás
Mecânico | technician
Cliente | - | one of Silva, Santos, Costa
Data | started_at
Data de entrega | - | days
Minutos | minutes
Número de bombadas | - | counts 0 6
Ciclos | cycles
Bolhas no fim | bubbles_last
Pistões recolhidos | pistons_seated | ?não sei
Pastilhas fora | pads_out | ?não sabe
Limpo | cleaned
Curso antes mm | lever_travel_before_mm
Curso depois mm | lever_travel_after_mm
Binário manípulo Nm | lever_port_nm
Espessura das pastilhas | - | numbers 1 4 1
Sem fugas | - | one of sim, não
Preço | - | numbers 20 90 2
""",
        "sim",
        "não",
        "%d/%m/%Y",
        ",",
        ";",
    ),
    Invented(
        "swedish_list",
        """
Jobbnr | session_id
Cykel | bike_id
Broms | brake | front=fram, rear=bak
Mekaniker | technician
Kund | - | one of Berg, Lind, Holm
Datum | started_at
Hämtas | - | days
Minuter | minutes
Antal pumpningar | - | counts 0 6
Antal varv | cycles
Bubblor sist | bubbles_last
Kolvar intryckta | pistons_seated | ?vet ej
Belägg ute | pads_out | ?vet inte
Rengjord | cleaned
Ej rengjord | - | one of ja, nej
Grepp mm | lever_reach_mm
Handtagsväg före mm | lever_travel_before_mm
Handtagsväg efter mm | lever_travel_after_mm
Moment handtag Nm | lever_port_nm
Beläggtjocklek | - | numbers 1 4 1
Pris | - | numbers 20 90 2
""",
        "ja",
        "nej",
        "%Y-%m-%d",
        ",",
        ";",
    ),
    Invented(
        "english_fleet_depot",
        """
WO | session_id
Asset | bike_id
Axle | brake | front=FRT, rear=RR
Mech initials | technician
Supervisor | - | one of JB, KT, ML
Opened | started_at
Closed | - | days
Hours | minutes | x 0.0166667 2
Qty pumps | - | counts 0 6
Number of pulls | - | counts 2 12
Flush count | cycles
Vac pulls | lever_vacuum_strokes
Soak (s) | settle_minutes | x 60 0
Fluid through oz | volume_moved_ml | x 0.0338 2
Bub last | bubbles_last
Bubble size mm | - | numbers 0.5 3 1
Seals ok | port_seals_checked | ?didn't check
Pads removed | pads_out | ?dunno
Purged kit | kit_purged | ?n/k
Lever tq in-lb | lever_port_nm | x 8.85 1
Caliper tq | caliper_port_nm | x 8.85 1
Travel as found | lever_travel_before_mm | x 0.03937 2
Travel as left | lever_travel_after_mm | x 0.03937 2
Reach | lever_reach_mm | x 0.03937 2
Travel limit | - | one of 25, 30
No leaks | - | one of Y, N
Weeping | leak_seen
Odometer | - | counts 10 9000
""",
        "Y",
        "N",
        "%m/%d/%Y",
    ),
    Invented(
        "german_short_codes",
        """
ANr | session_id
FzgNr | bike_id
V/H | brake | front=V, rear=H
MA | technician
Dat | started_at
AW | - | counts 3 12
Anz. Pumpen | - | counts 0 6
Anz. Durchg. | cycles
Fl. Menge | volume_moved_ml
Ruhe min | settle_minutes
Bl. letzter | bubbles_last
Kolben zur. | pistons_seated | true=1, false=0 ?9
Set entl. | kit_purged | true=1, false=0 ?9
Spr. senkr. | syringes_upright | true=1, false=0
HW vorher | lever_travel_before_mm
HW nachher | lever_travel_after_mm
Drehm. Hebel | lever_port_nm
Drehm. Sattel | caliper_port_nm
Hebel fest | hard_pull_firm | true=1, false=0
EUR | - | numbers 20 90 2
""",
        "1",
        "0",
        "%d.%m.%y",
        ",",
        ";",
    ),
)

FRESH = (
    Invented(
        "french_paper_form",
        """
Fiche | session_id
N° série | bike_id
AV/AR | brake | front=AV, rear=AR
Fait par | technician
Contrôlé par | - | one of Luc, Anne, Marc
Le | started_at
Retour prévu | - | days
Heures MO | minutes | x 0.0166667 2
Raison | job_reason | scheduled=révision, soft_lever=levier mou, dirty_fluid=liquide sale, new_hose=durite neuve, new_brake=frein neuf, leak_repair=fuite réparée, comeback=retour, other=autre
Coups de pompe | - | counts 0 6
Allers-retours | cycles
Repos (s) | settle_minutes | x 60 0
Nb bulles dernier passage | bubbles_last
Taille bulles mm | - | numbers 0.5 3 1
Seringues tenues droites | syringes_upright | ?pas vérifié
Kit purgé | kit_purged | ?aucune idée
Pas nettoyé | - | one of oui, non
Garde levier cm | lever_reach_mm | x 0.1 1
Gain pompage | pump_gain_mm
Serrage levier in-lb | lever_port_nm | x 8.85 1
Serrage étrier | caliper_port_nm
Diamètre disque mm | - | one of 160, 180, 203
Main d'œuvre € | - | numbers 20 90 2
""",
        "oui",
        "non",
        "%d.%m.%Y",
        ",",
        ";",
    ),
    Invented(
        "english_tablet_app",
        """
record_uuid | session_id
site_code | shop
vehicle_ref | bike_id
wheel_end | brake
operator_id | technician
reviewer_id | - | one of op1, op2, op3
created_at | started_at
updated_at | - | days
elapsed_mins | minutes
reach_in | lever_reach_mm | x 0.03937 2
block_count | blocks_fitted
fill_top_pct | lever_syringe_fill | x 100 0
fill_bottom_pct | caliper_syringe_fill | x 100 0
pump_count | - | counts 0 8
pump_pickup_mm | pump_gain_mm
sweeps | cycles
bubbles_1st | bubbles_first
bubbles_final | bubbles_last
vac_stroke_count | lever_vacuum_strokes
rest_secs | settle_minutes | x 60 0
upright_flag | syringes_upright | ?unknown
seal_fail | - | one of yes, no
torque_top | lever_port_nm | x 8.85 1
torque_bottom | caliper_port_nm | x 8.85 1
stroke_length_mm | - | numbers 10 14 1
rotor_thickness_mm | - | numbers 1.5 2 2
no_leak_seen | - | one of yes, no
battery_pct | - | counts 10 100
""",
    ),
    Invented(
        "german_holiday_cover",
        """
Auftrag | session_id
Rahmen | bike_id
Bremse v/h | brake | front=v, rear=h
Geselle | technician
Meister | - | one of Huber, Moser, Gruber
begonnen | started_at
fertig am | - | days
Min. | minutes
Öl | fluid_used | mineral=Mineralöl
Hübe | - | counts 0 9
Pumphübe bis fest | - | counts 1 9
Hebel-Unterdruck Hübe | lever_vacuum_strokes
Durchläufe | cycles
Gesamtmenge ccm | volume_moved_ml
Bläschen 1. Durchlauf | bubbles_first
Bläschen letzter Durchlauf | bubbles_last
Klotz mm | block_mm
Kolben ganz hinten | pistons_seated | ?nicht geprüft
Dichtringe ok | port_seals_checked | ?weiß ich nicht
Ohne Beläge | - | one of ja, nein
Abgewischt | cleaned | ?k.A.
Schraube Hebel Ncm | - | counts 100 220
Weg vor Entlüften | lever_travel_before_mm
Weg nach Entlüften | lever_travel_after_mm
Leerweg Rad cm | - | numbers 1 4 1
Harter Zug hält | hard_pull_firm
tropft | leak_seen
""",
        "ja",
        "nein",
        "%d.%m.%Y",
        ",",
        ";",
    ),
)
