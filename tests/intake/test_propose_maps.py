"""A map proposed for an export with other headings: its lines, its doubts, and the log read with it unedited."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from analysis.errors import UserError
from analysis.intake import propose_map, read_log

GERMAN = """Auftrag-Nr.;Rad-Nr.;Bremse;Mechaniker;Datum;Hebelweg vorher [cm];Entlüftungszyklen;Bemerkung
{rows}"""
FRENCH = """N° intervention,Vélo,Frein,Technicien,Date,Longueur durite (cm),Remarque
{rows}"""


def german(folder: Path, days: tuple[str, ...] = ("05.01.2026", "26.01.2026")) -> Path:
    rows = [
        f"A{i};R{i % 7};{'vorne' if i % 2 else 'hinten'};{('Wren', 'Hazel')[i % 3 == 0]};{days[i % len(days)]};"
        f"{2.1 + i % 5 / 10:.1f};{1 + i % 3};Notiz {i}".replace(".", ",", 0)
        for i in range(40)
    ]
    path = folder / "werkstatt.csv"
    path.write_text(GERMAN.format(rows="\n".join(rows)) + "\n", encoding="utf-8")
    return path


def test_german_headings_and_words_are_proposed_and_the_map_works_unedited(tmp_path: Path) -> None:
    export = german(tmp_path)
    sections = tomllib.loads(propose_map([str(export)]).toml)["sessions"]
    assert sections["columns"]["session_id"] == "Auftrag-Nr."
    assert sections["columns"]["bike_id"] == "Rad-Nr."
    assert sections["columns"]["technician"] == "Mechaniker"
    assert sections["columns"]["lever_travel_before_mm"] == {"heading": "Hebelweg vorher [cm]", "unit": "cm"}
    assert sections["values"]["brake"] == {"front": ["vorne"], "rear": ["hinten"]}
    (tmp_path / "map.toml").write_text(propose_map([str(export)]).toml, encoding="utf-8")
    log = read_log([str(export)], str(tmp_path / "map.toml"))
    assert log.sessions.height == 40
    assert log.sessions["lever_travel_before_mm"].min() == 21.0
    assert set(log.sessions["brake"]) == {"front", "rear"}


def test_the_order_of_day_and_month_is_proposed_if_the_dates_decide_it(tmp_path: Path) -> None:
    sections = tomllib.loads(propose_map([str(german(tmp_path))]).toml)["sessions"]
    assert sections["date_order"] == "dmy"


def test_dates_that_may_be_day_first_or_month_first_are_marked(tmp_path: Path) -> None:
    proposed = propose_map([str(german(tmp_path, ("05/01/2026", "06/02/2026")))])
    assert 'date_order = "dmy"  # CHECK: unclear whether day-first or month-first (Datum: 05/01/2026)' in proposed.toml
    assert "unclear whether dates are day-first or month-first (Datum: 05/01/2026)" in proposed.summary


def test_the_same_export_gives_the_same_proposal(tmp_path: Path) -> None:
    export = str(german(tmp_path))
    assert propose_map([export]) == propose_map([export])


def test_french_headings_are_understood(tmp_path: Path) -> None:
    rows = [
        f"I{i},V{i % 9},{'avant' if i % 2 else 'arrière'},Isle,2026-01-{1 + i % 28:02d},{90 + i},ok" for i in range(40)
    ]
    path = tmp_path / "atelier.csv"
    path.write_text(FRENCH.format(rows="\n".join(rows)) + "\n", encoding="utf-8")
    sections = tomllib.loads(propose_map([str(path)]).toml)["sessions"]
    assert sections["columns"]["bike_id"] == "Vélo"
    assert sections["values"]["brake"] == {"front": ["avant"], "rear": ["arrière"]}
    assert sections["columns"]["hose_mm"] == {"heading": "Longueur durite (cm)", "unit": "cm"}


def test_an_export_of_something_else_is_refused_with_its_headings(tmp_path: Path) -> None:
    (tmp_path / "rota.csv").write_text(
        "Wochentag,Schicht,Kaffee\nMontag,früh,ja\nDienstag,spät,nein\n", encoding="utf-8"
    )
    with pytest.raises(UserError, match=r"no bleeds or returns found in this file.*Wochentag"):
        propose_map([str(tmp_path / "rota.csv")])


def test_the_map_names_files_without_their_folder(tmp_path: Path) -> None:
    assert "# werkstatt.csv\n" in propose_map([str(german(tmp_path))]).toml


def test_two_files_of_the_same_name_keep_their_folder(tmp_path: Path) -> None:
    folders = [tmp_path / "a", tmp_path / "b"]
    for folder in folders:
        folder.mkdir()
    proposed = propose_map([str(german(folder)) for folder in folders]).toml
    assert all(f"# {folder / 'werkstatt.csv'}\n" in proposed for folder in folders)
