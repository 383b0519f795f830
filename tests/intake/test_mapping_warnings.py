"""What a proposed map is sure of and what it asks to look at, on invented sheets that hold columns which only look right."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.intake import proposals, propose_map, read_log
from analysis.intake.readers.sources import raw_tables
from synthetic import EXPORT_FORMATS, family, simulate, write_export
from tests.intake.invented_sheets import FRESH, HELD_OUT, LEARNED, written
from tests.intake.proposal_score import score

UNKNOWN_LANGUAGES = ("portuguese_sheet", "swedish_list")
SHEETS = (*LEARNED, *HELD_OUT, *FRESH)
LEAST_FOUND, MOST_MARKED = 0.93, 0.35


@pytest.fixture(scope="module")
def scores(tmp_path_factory):
    sessions = simulate(family("base", 400), 11).sessions
    folder = tmp_path_factory.mktemp("invented")
    return {sheet.name: score(sheet, written(sheet, sessions, folder)) for sheet in SHEETS}


def test_no_line_is_wrong_without_a_mark(scores):
    assert {name: one.wrong_and_unmarked for name, one in scores.items() if one.wrong_and_unmarked} == {}


def test_nearly_every_field_of_the_six_languages_is_found(scores):
    known = [one for name, one in scores.items() if name not in UNKNOWN_LANGUAGES]
    right, lost = sum(len(one.right) for one in known), sum(len(one.not_found) for one in known)
    assert right / (right + lost) >= LEAST_FOUND


def test_most_lines_that_are_right_are_not_marked(scores):
    known = [one for name, one in scores.items() if name not in UNKNOWN_LANGUAGES]
    assert sum(len(one.right_but_marked) for one in known) <= MOST_MARKED * sum(len(one.right) for one in known)


@pytest.mark.parametrize("manner", list(EXPORT_FORMATS))
def test_lines_of_the_simulated_exports_are_right_or_marked(manner, tmp_path):
    exported = write_export(simulate(family("base", 400), 3), tmp_path, EXPORT_FORMATS[manner], 3)
    truth = {(t, h): c for t, c, h in exported.headings.select("table", "column", "heading").iter_rows()}
    for one in proposals(raw_tables([str(path) for path in exported.files]).tables):
        wrong = [c for c in one.choices if truth.get((one.table, c.heading)) != c.field and not c.doubtful]
        assert wrong == []


HEAD = "Job no,Bike,Brake,Technician,Date"


def sheet(folder: Path, heading: str, cells: list[str]) -> str:
    rows = [f"J{i},B{i % 9},{('front', 'rear')[i % 2]},Ash,2026-01-{1 + i % 28:02d},{c}" for i, c in enumerate(cells)]
    path = folder / "bench.csv"
    path.write_text(f"{HEAD},{heading}\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return str(path)


def test_a_count_of_pumps_is_no_travel_gained_and_the_map_says_why(tmp_path):
    written_map = propose_map([sheet(tmp_path, "Nr pumps", [str(i % 7) for i in range(60)])]).toml
    assert "pump_gain_mm =" not in written_map
    assert '"Nr pumps" would be pump_gain_mm, but it is a count (whole numbers from 0 to 6)' in written_map


def test_whole_numbers_under_a_heading_without_a_unit_are_marked_in_a_field_of_millimetres(tmp_path):
    line = line_of("pump_gain_mm", propose_map([sheet(tmp_path, "Pump gain", [str(i % 7) for i in range(60)])]).toml)
    assert "PLEASE LOOK" in line
    assert "as a count has them" in line


def test_a_named_unit_and_tenths_are_not_marked(tmp_path):
    cells = [f"{i % 40 / 10}" for i in range(60)]
    assert "PLEASE LOOK" not in line_of("pump_gain_mm", propose_map([sheet(tmp_path, "Pump gain mm", cells)]).toml)


@pytest.mark.parametrize(
    "word",
    ["weiss nicht", "weiß nicht", "don't know", "Don’t know", "ne sait pas", "weet niet", "no sé", "non so"],
)
def test_words_for_not_knowing_are_not_recorded_and_never_no(tmp_path, word):
    export = sheet(tmp_path, "Pads out", [("yes", "no", word)[i % 3] for i in range(60)])
    (tmp_path / "map.toml").write_text(propose_map([export]).toml, encoding="utf-8")
    read = read_log([export], str(tmp_path / "map.toml")).sessions.get_column("pads_out")
    assert (read.null_count(), int((read == False).sum())) == (20, 20)  # noqa: E712


def test_a_word_understood_by_a_part_of_it_is_marked(tmp_path):
    cells = [("ja", "nein", "meist gemacht")[i % 3] for i in range(60)]
    line = line_of("pads_out", propose_map([sheet(tmp_path, "Beläge raus", cells)]).toml)
    assert "'meist gemacht' is read as true by a part of it" in line


def test_a_word_with_a_not_in_it_is_never_understood_by_its_other_part(tmp_path):
    cells = [("ja", "nein", "nicht so richtig")[i % 3] for i in range(60)]
    line = line_of("pads_out", propose_map([sheet(tmp_path, "Beläge raus", cells)]).toml)
    assert "nobody knows 'nicht so richtig'" in line


def test_a_heading_that_says_the_opposite_is_not_proposed(tmp_path):
    written_map = propose_map([sheet(tmp_path, "Not cleaned", [("yes", "no")[i % 2] for i in range(60)])]).toml
    assert "cleaned =" not in written_map
    assert "the heading says the opposite (not)" in written_map


def test_a_unit_taken_from_the_readings_alone_is_marked(tmp_path):
    cells = [f"{2.1 + i % 9 / 10:.1f}" for i in range(60)]
    line = line_of("lever_travel_after_mm", propose_map([sheet(tmp_path, "Travel after", cells)]).toml)
    assert 'unit = "cm"' in line
    assert "PLEASE LOOK: the heading names no unit; cm is taken from its readings" in line


def line_of(field: str, toml: str) -> str:
    return next(line for line in toml.splitlines() if line.startswith(f"{field} ="))
