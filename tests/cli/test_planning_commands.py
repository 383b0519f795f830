"""Sheet, gauge and plan as somebody meets them: what they print, write, refuse, and how they end."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from analysis.charts.embed import library_text
from schemas import OTHER_TABLES
from tests.cli.test_command import rebleed
from tests.output.test_hidden_names import found_in
from tests.shops import exports

NAMES = ("Wren", "Zoë Ångström", "Flint")


def study(folder: Path, **headings: str) -> Path:
    """Eight brakes, three people, twice each, under these headings; one row that is none."""
    rng = np.random.default_rng(2)
    rows = [
        (f"brake {i}, {NAMES[i % 3]}'s", who, again, round(20 + 2 * i + shift + rng.normal(0, 0.3), 1))
        for i in range(8)
        for who, shift in zip(NAMES, (0, 0.4, -0.3), strict=True)
        for again in (1, 2)
    ]
    names = [headings.get(name, name) for name in ("item", "technician", "repeat", "reading")]
    table = pl.DataFrame(rows, schema=names, orient="row").with_columns(pl.col(names[3]).cast(pl.String))
    broken = pl.DataFrame([("brake 9", "Lee", 1, "about 20, says Wren")], schema=names, orient="row")
    path = folder / "readings by Wren.csv"
    pl.concat([table, broken]).write_csv(path)
    return path


def test_a_study_is_told_written_and_accounted_for(tmp_path: Path) -> None:
    told = rebleed("gauge", str(study(tmp_path)), "--out", str(tmp_path / "out"), "--tolerance", "20")
    assert told.returncode == 0, told.stderr
    assert "48 readings of 8 items by 3 technicians, equally often." in told.stdout
    assert "Trust the reading" in told.stdout
    assert "49 rows read = 48 accepted + 1 set aside + 0 copies" in told.stdout
    assert "of the tolerance of 20" in told.stdout
    assert "Brakes are safety parts" in told.stdout
    assert {p.name for p in (tmp_path / "out").iterdir()} == {"gauge.html", "manifest.json", "tables"}
    rows = json.loads((tmp_path / "out" / "manifest.json").read_text())["rows"]
    assert rows == {"rows_read": 49, "accepted": 48, "set_aside": 1, "duplicates": 0}


@pytest.mark.parametrize("name", ["gauge", "gauge_noise"])
def test_a_studys_tables_have_the_columns_of_their_models(tmp_path: Path, name: str) -> None:
    rebleed("gauge", str(study(tmp_path)), "--out", str(tmp_path / "out"))
    with (tmp_path / "out" / "tables" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == list(OTHER_TABLES[name].to_schema().columns)
    assert len(rows) > 1


def test_foreign_headings_are_mapped_and_without_a_map_it_says_how(tmp_path: Path) -> None:
    path = study(tmp_path, item="Bremse", technician="Monteur", repeat="Nr", reading="Hebelweg [mm]")
    told = rebleed("gauge", str(path), "--out", str(tmp_path / "out"))
    assert told.returncode == 2
    assert "Bremse, Monteur, Nr, Hebelweg [mm]" in told.stderr
    assert "[readings.columns]" in told.stderr
    (tmp_path / "map.toml").write_text(
        '[readings.columns]\nitem = "Bremse"\ntechnician = "Monteur"\nrepeat = "Nr"\nreading = "Hebelweg [mm]"\n'
    )
    told = rebleed("gauge", str(path), "--map", str(tmp_path / "map.toml"), "--out", str(tmp_path / "out"))
    assert told.returncode == 0, told.stderr
    assert "Can “Hebelweg [mm]” be trusted?" in (tmp_path / "out" / "gauge.html").read_text("utf-8")


def test_a_study_with_hidden_names_tells_no_name_in_any_byte(tmp_path: Path) -> None:
    told = rebleed("gauge", str(study(tmp_path)), "--out", str(tmp_path / "out"), "--hide-names")
    assert told.returncode == 0, told.stderr
    assert not any(name in told.stdout for name in (*NAMES, "Lee"))
    library = library_text().casefold()
    names = [name for name in (*NAMES, "readings by Wren") if name.casefold() not in library]
    assert len(names) >= 3
    for path in (p for p in (tmp_path / "out").rglob("*") if p.is_file()):
        assert found_in(path, tuple(names)) == [], path
    with (tmp_path / "out.names.csv").open(encoding="utf-8") as file:
        assert {row["technician"] for row in csv.DictReader(file)} == {*NAMES, "Lee"}


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("a,Wren,1\nb,Wren,2\na,Wren,1.1\nb,Wren,2.1\n", "by 1 technicians"),
        ("a,Wren,1\na,Lee,2\na,Wren,1.1\na,Lee,2.1\n", "of 1 items"),
        ("a,Wren,1\na,Lee,2\nb,Wren,1.1\nb,Lee,2.1\n", "4 readings of 2 items by 2 technicians, in 4 pairs"),
        ("a,Wren,x\n", "'x' is not a number"),
    ],
)
def test_a_study_too_small_to_tell_is_refused_with_what_was_found(tmp_path: Path, rows: str, words: str) -> None:
    (tmp_path / "r.csv").write_text("item,technician,reading\n" + rows)
    told = rebleed("gauge", str(tmp_path / "r.csv"), "--out", str(tmp_path / "out"))
    assert (told.returncode, told.stdout) == (2, "")
    assert words in told.stderr
    assert not (tmp_path / "out").exists()


def test_the_same_figure_twice_is_two_readings_unless_it_is_the_same_repeat(tmp_path: Path) -> None:
    rows = "".join(f"{i},{who},{20 + i}\n" for i in range(3) for who in ("Wren", "Lee") for _ in range(2))
    (tmp_path / "r.csv").write_text("item,technician,reading\n" + rows)
    assert "12 readings" in rebleed("gauge", str(tmp_path / "r.csv"), "--out", str(tmp_path / "out")).stdout
    numbered = "".join(f"{i},{w},{r},{20 + i}\n" for i in range(3) for w in ("Wren", "Lee") for r in (1, 2, 2))
    (tmp_path / "r.csv").write_text("item,technician,repeat,reading\n" + numbered)
    told = rebleed("gauge", str(tmp_path / "r.csv"), "--out", str(tmp_path / "out")).stdout
    assert "18 rows read = 12 accepted + 0 set aside + 6 copies" in told


def test_a_foreign_folder_and_a_wrong_tolerance_are_refused(tmp_path: Path) -> None:
    readings = str(study(tmp_path))
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("mine")
    assert "no run of rebleed wrote" in rebleed("gauge", readings, "--out", str(tmp_path / "mine")).stderr
    told = rebleed("gauge", readings, "--out", str(tmp_path / "out"), "--tolerance", "-1")
    assert (told.returncode, "--tolerance" in told.stderr) == (2, True)


def test_sheet_writes_both_and_says_what_comes_next(tmp_path: Path) -> None:
    told = rebleed("sheet", "--out", str(tmp_path / "out"))
    assert told.returncode == 0, told.stderr
    assert {p.name for p in (tmp_path / "out").iterdir()} == {"bench_sheet.html", "bench_log.xlsx", "manifest.json"}
    assert "rebleed check" in told.stdout
    assert rebleed("sheet", "--out", str(tmp_path / "out")).returncode == 0  # an earlier run's is replaced
    assert rebleed("sheet", "--out", str(tmp_path / "o"), "--standard", "nowhere.toml").returncode == 2


def test_own_fields_of_a_standard_have_columns_and_a_map_that_check_takes(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(
        '[[step]]\nid = "grease"\ntitle = "seal greased"\nfield = "own.grease_g"\nmin = 0.5\nmax = 1\n'
    )
    told = rebleed("sheet", "--out", str(tmp_path / "out"), "--standard", str(tmp_path / "own.toml"))
    assert told.returncode == 0, told.stderr
    (tmp_path / "filled.csv").write_text(
        "session_id,bike_id,brake,technician,started_at,own.grease_g\n1,b,front,Wren,2026-01-05,0.7\n"
    )
    words = ("--map", str(tmp_path / "out" / "bench_map.toml"), "--standard", str(tmp_path / "own.toml"), "--strict")
    checked = rebleed("check", str(tmp_path / "filled.csv"), *words)
    assert checked.returncode == 0, checked.stderr
    assert "not used" not in checked.stdout


def test_a_rates_size_is_printed_and_saved(tmp_path: Path) -> None:
    told = rebleed(
        "plan", "rate", "--rate", "0.06", "--half-width", "0.01", "--detect", "0.09", "--out", str(tmp_path / "p")
    )
    assert told.returncode == 0, told.stderr
    assert "to within 1 points either way (95%): 2," in told.stdout
    assert (tmp_path / "p").read_text() == told.stdout


def test_a_trials_size_is_fleiss_corrected_and_grows_with_the_week() -> None:
    """814 in each arm for 6% against 3% at 80%: 748.2 (Fleiss, Levin & Paik), 814.0 corrected; reckoned by hand."""
    told = rebleed(
        "plan", "trial", "--rate", "0.06", "--target-rate", "0.03", "--bleeds-a-week", "40", "--correlation", "0.02"
    )
    assert "814 bleeds in each arm, 1,628 in all" in told.stdout
    assert "1.78 times as many" in told.stdout


@pytest.mark.parametrize(
    ("words", "option"),
    [
        (("rate", "--rate", "6"), "--rate"),
        (("rate", "--rate", "0.06", "--half-width", "0.7"), "--half-width"),
        (("rate", "--rate", "0.06", "--detect", "0.06"), "--detect"),
        (("trial", "--rate", "0.06", "--target-rate", "0.06"), "--target-rate"),
        (("trial", "--rate", "0.06", "--target-rate", "0.03", "--power", "1"), "--power"),
        (("trial", "--rate", "0.06", "--target-rate", "0.03", "--bleeds-a-week", "0"), "--bleeds-a-week"),
        (("rate", "--rate", "0.06", "--out", "/proc/nowhere/x"), "/proc/nowhere/x"),
    ],
)
def test_a_size_that_cannot_be_reckoned_is_refused_by_its_option(words: tuple[str, ...], option: str) -> None:
    told = rebleed("plan", *words)
    assert (told.returncode, told.stdout) == (2, "")
    assert option in told.stderr


def test_a_steps_size_is_drawn_from_the_shops_own_log(tmp_path: Path) -> None:
    words = ("--step", "cycles", "--hazard-ratio", "3", "--bleeds", "500", "--bleeds", "1000", "--runs", "10")
    told = rebleed("plan", "step", str(exports()), *words, "--out", str(tmp_path / "p"))
    assert told.returncode == 0, told.stderr
    assert "a miss that makes a return 3 times as likely" in told.stdout
    assert "500 bleeds (" in told.stdout
    assert "Found 80% of the time from about" in told.stdout
    assert rebleed("plan", "step", str(exports()), *words).stdout == told.stdout  # the same seed, the same answer


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (("--step", "polish"), "'polish' is no step"),
        (("--step", "cycles", "--hazard-ratio", "1"), "--hazard-ratio"),
        (("--step", "cycles", "--bleeds", "20"), "--bleeds"),
    ],
)
def test_a_step_that_cannot_be_drawn_is_refused(words: tuple[str, ...], found: str) -> None:
    told = rebleed("plan", "step", str(exports()), *words)
    assert (told.returncode, told.stdout) == (2, "")
    assert found in told.stderr


def test_a_log_with_too_few_comebacks_says_what_to_do_until_then(tmp_path: Path) -> None:
    (tmp_path / "s.csv").write_text("session_id,bike_id,brake,technician,started_at\n1,b,front,Wren,2026-01-05\n")
    told = rebleed("plan", "step", str(tmp_path / "s.csv"), "--step", "cycles")
    assert told.returncode == 2
    assert "rebleed plan trial" in told.stderr
