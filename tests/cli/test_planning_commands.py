"""The commands sheet, gauge and plan: what they print, write and refuse."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from analysis.charts.embed import chart_library_script
from schemas import OTHER_TABLES
from tests.cli.test_command import rebleed
from tests.output.test_hidden_names import found_in
from tests.shops import exports

NAMES = ("Wren", "Zoë Ångström", "Flint")


def study(folder: Path, **headings: str) -> Path:
    """Write readings of eight brakes by three technicians, two each, and one row that is not valid."""
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


def test_a_study_is_printed_and_written_with_every_row_accounted_for(tmp_path: Path) -> None:
    result = rebleed("gauge", str(study(tmp_path)), "--out", str(tmp_path / "out"), "--tolerance", "20")
    assert result.returncode == 0, result.stderr
    assert "48 readings of 8 items by 3 technicians, the same number of readings each." in result.stdout
    assert "Trust the reading" in result.stdout
    assert "49 read = 48 accepted + 1 rejected + 0 duplicate" in result.stdout
    assert "of the tolerance of 20" in result.stdout
    assert "Brakes are safety-critical parts" in result.stdout
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


def test_own_headings_need_a_map_and_the_error_shows_one(tmp_path: Path) -> None:
    path = study(tmp_path, item="Bremse", technician="Monteur", repeat="Nr", reading="Hebelweg [mm]")
    result = rebleed("gauge", str(path), "--out", str(tmp_path / "out"))
    assert result.returncode == 2
    assert "Bremse, Monteur, Nr, Hebelweg [mm]" in result.stderr
    assert "[readings.columns]" in result.stderr
    (tmp_path / "map.toml").write_text(
        '[readings.columns]\nitem = "Bremse"\ntechnician = "Monteur"\nrepeat = "Nr"\nreading = "Hebelweg [mm]"\n'
    )
    result = rebleed("gauge", str(path), "--map", str(tmp_path / "map.toml"), "--out", str(tmp_path / "out"))
    assert result.returncode == 0, result.stderr
    assert "How far can you trust “Hebelweg [mm]”?" in (tmp_path / "out" / "gauge.html").read_text("utf-8")


def test_a_study_with_hidden_names_has_no_name_in_any_file(tmp_path: Path) -> None:
    result = rebleed("gauge", str(study(tmp_path)), "--out", str(tmp_path / "out"), "--hide-names")
    assert result.returncode == 0, result.stderr
    assert not any(name in result.stdout for name in (*NAMES, "Lee"))
    library = chart_library_script().casefold()
    names = [name for name in (*NAMES, "readings by Wren") if name.casefold() not in library]
    assert len(names) >= 3
    for path in (p for p in (tmp_path / "out").rglob("*") if p.is_file()):
        assert found_in(path, tuple(names)) == [], path
    with (tmp_path / "out.names.csv").open(encoding="utf-8") as file:
        assert {row["technician"] for row in csv.DictReader(file)} == {*NAMES, "Lee"}


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("a,Wren,1\nb,Wren,2\na,Wren,1.1\nb,Wren,2.1\n", "by 1 technician,"),
        ("a,Wren,1\na,Lee,2\na,Wren,1.1\na,Lee,2.1\n", "of 1 item "),
        ("a,Wren,1\na,Lee,2\nb,Wren,1.1\nb,Lee,2.1\n", "4 readings of 2 items by 2 technicians, none repeated"),
        ("a,Wren,x\n", "'x' is not a number"),
    ],
)
def test_too_small_a_study_is_refused_with_its_counts(tmp_path: Path, rows: str, words: str) -> None:
    (tmp_path / "r.csv").write_text("item,technician,reading\n" + rows)
    result = rebleed("gauge", str(tmp_path / "r.csv"), "--out", str(tmp_path / "out"))
    assert (result.returncode, result.stdout) == (2, "")
    assert words in result.stderr
    assert not (tmp_path / "out").exists()


def test_equal_readings_are_duplicates_only_with_the_same_repeat_number(tmp_path: Path) -> None:
    rows = "".join(f"{i},{who},{20 + i}\n" for i in range(3) for who in ("Wren", "Lee") for _ in range(2))
    (tmp_path / "r.csv").write_text("item,technician,reading\n" + rows)
    assert "12 readings" in rebleed("gauge", str(tmp_path / "r.csv"), "--out", str(tmp_path / "out")).stdout
    numbered = "".join(f"{i},{w},{r},{20 + i}\n" for i in range(3) for w in ("Wren", "Lee") for r in (1, 2, 2))
    (tmp_path / "r.csv").write_text("item,technician,repeat,reading\n" + numbered)
    result = rebleed("gauge", str(tmp_path / "r.csv"), "--out", str(tmp_path / "out")).stdout
    assert "18 read = 12 accepted + 0 rejected + 6 duplicate" in result


def test_a_folder_of_other_files_and_a_negative_tolerance_are_refused(tmp_path: Path) -> None:
    readings = str(study(tmp_path))
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("mine")
    assert "not written by rebleed" in rebleed("gauge", readings, "--out", str(tmp_path / "mine")).stderr
    result = rebleed("gauge", readings, "--out", str(tmp_path / "out"), "--tolerance", "-1")
    assert (result.returncode, "--tolerance" in result.stderr) == (2, True)


def test_sheet_writes_both_files_and_gives_the_next_command(tmp_path: Path) -> None:
    result = rebleed("sheet", "--out", str(tmp_path / "out"))
    assert result.returncode == 0, result.stderr
    assert {p.name for p in (tmp_path / "out").iterdir()} == {"bench_sheet.html", "bench_log.xlsx", "manifest.json"}
    assert "rebleed check" in result.stdout
    assert rebleed("sheet", "--out", str(tmp_path / "out")).returncode == 0  # the folder of an earlier run is replaced
    assert rebleed("sheet", "--out", str(tmp_path / "o"), "--standard", "nowhere.toml").returncode == 2


def test_own_fields_of_a_procedure_get_columns_and_a_map_that_check_accepts(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(
        '[[step]]\nid = "grease"\ntitle = "seal greased"\nfield = "own.grease_g"\nmin = 0.5\nmax = 1\n'
    )
    result = rebleed("sheet", "--out", str(tmp_path / "out"), "--standard", str(tmp_path / "own.toml"))
    assert result.returncode == 0, result.stderr
    (tmp_path / "filled.csv").write_text(
        "session_id,bike_id,brake,technician,started_at,own.grease_g\n1,b,front,Wren,2026-01-05,0.7\n"
    )
    words = ("--map", str(tmp_path / "out" / "bench_map.toml"), "--standard", str(tmp_path / "own.toml"), "--strict")
    checked = rebleed("check", str(tmp_path / "filled.csv"), *words)
    assert checked.returncode == 0, checked.stderr
    assert "not used" not in checked.stdout


def test_the_sample_size_of_a_rate_is_printed_and_saved(tmp_path: Path) -> None:
    result = rebleed(
        "plan", "rate", "--rate", "0.06", "--half-width", "0.01", "--detect", "0.09", "--out", str(tmp_path / "p")
    )
    assert result.returncode == 0, result.stderr
    assert "to within ±1 point (95% interval): 2," in result.stdout
    assert (tmp_path / "p").read_text() == result.stdout


def test_the_size_of_a_trial_has_the_continuity_correction_and_the_design_effect() -> None:
    """814 in each arm for 6% against 3% at 80%: 748.2 (Fleiss, Levin & Paik), 814.0 corrected; calculated by hand."""
    result = rebleed(
        "plan", "trial", "--rate", "0.06", "--target-rate", "0.03", "--bleeds-per-week", "40", "--correlation", "0.02"
    )
    assert "814 bleeds per arm, 1,628 in all" in result.stdout
    assert "1.78 times as many" in result.stdout


@pytest.mark.parametrize(
    ("words", "option"),
    [
        (("rate", "--rate", "6"), "--rate"),
        (("rate", "--rate", "0.06", "--half-width", "0.7"), "--half-width"),
        (("rate", "--rate", "0.06", "--detect", "0.06"), "--detect"),
        (("trial", "--rate", "0.06", "--target-rate", "0.06"), "--target-rate"),
        (("trial", "--rate", "0.06", "--target-rate", "0.03", "--power", "1"), "--power"),
        (("trial", "--rate", "0.06", "--target-rate", "0.03", "--bleeds-per-week", "0"), "--bleeds-per-week"),
        (("rate", "--rate", "0.06", "--out", "/proc/nowhere/x"), "/proc/nowhere/x"),
    ],
)
def test_an_impossible_sample_size_is_refused_with_its_option(words: tuple[str, ...], option: str) -> None:
    result = rebleed("plan", *words)
    assert (result.returncode, result.stdout) == (2, "")
    assert option in result.stderr


def test_the_sample_size_of_a_step_comes_from_resampling_the_log(tmp_path: Path) -> None:
    words = ("--step", "cycles", "--hazard-ratio", "3", "--bleeds", "500", "--bleeds", "1000", "--runs", "10")
    result = rebleed("plan", "step", str(exports()), *words, "--out", str(tmp_path / "p"))
    assert result.returncode == 0, result.stderr
    assert "a miss multiplies the comeback hazard by 3" in result.stdout
    assert "500 bleeds (" in result.stdout
    assert "Detected 80% of the time with about" in result.stdout
    assert rebleed("plan", "step", str(exports()), *words).stdout == result.stdout  # same seed, same result


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--step", "polish"), "'polish' is not a step of the procedure"),
        (("--step", "cycles", "--hazard-ratio", "1"), "--hazard-ratio"),
        (("--step", "cycles", "--bleeds", "20"), "--bleeds"),
    ],
)
def test_an_unknown_step_or_a_bad_size_is_refused(words: tuple[str, ...], message: str) -> None:
    result = rebleed("plan", "step", str(exports()), *words)
    assert (result.returncode, result.stdout) == (2, "")
    assert message in result.stderr


def test_a_log_with_too_few_comebacks_points_to_plan_trial(tmp_path: Path) -> None:
    (tmp_path / "s.csv").write_text("session_id,bike_id,brake,technician,started_at\n1,b,front,Wren,2026-01-05\n")
    result = rebleed("plan", "step", str(tmp_path / "s.csv"), "--step", "cycles")
    assert result.returncode == 2
    assert "rebleed plan trial" in result.stderr


def test_a_rate_to_detect_alone_gives_its_own_sample_size_only() -> None:
    result = rebleed("plan", "rate", "--rate", "0.06", "--detect", "0.09")
    assert result.stdout.startswith("To detect a rise to 9.00%, taking 6.00% as known: ")
    assert "To estimate" not in result.stdout


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--power", "2", "--detect", "0.09"), "0.8 for 80%"),
        (("--half-width", "0.5"), "expected: a half width below 0.5"),
        (("--half-width", "0.00000001"), "expected: a half width of 0.0000001 or more"),
    ],
)
def test_a_number_outside_its_range_is_refused_with_an_example(words: tuple[str, ...], message: str) -> None:
    assert message in rebleed("plan", "rate", "--rate", "0.06", *words).stderr
