"""Which lines of a proposed map are marked CHECK, on invented sheets with columns that only look right."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.intake import proposals, propose_map, read_log
from analysis.intake.readers.sources import raw_tables
from synthetic import EXPORT_FORMATS, scenario_workshop, simulate, write_export
from tests.intake.invented_sheets import FRESH, HELD_OUT, LEARNED, write_sheet
from tests.intake.proposal_score import score

UNKNOWN_LANGUAGES = ("portuguese_sheet", "swedish_list")
SHEETS = (*LEARNED, *HELD_OUT, *FRESH)
MIN_MATCHED, MAX_MARKED = 0.93, 0.35


@pytest.fixture(scope="module")
def scores(tmp_path_factory):
    sessions = simulate(scenario_workshop("base", 400), 11).sessions
    folder = tmp_path_factory.mktemp("invented")
    return {sheet.name: score(sheet, write_sheet(sheet, sessions, folder)) for sheet in SHEETS}


def test_no_wrong_line_is_unmarked(scores):
    assert {name: one.wrong_and_unmarked for name, one in scores.items() if one.wrong_and_unmarked} == {}


def test_nearly_every_field_is_matched_in_the_six_languages(scores):
    six_languages = [one for name, one in scores.items() if name not in UNKNOWN_LANGUAGES]
    right, lost = sum(len(one.right) for one in six_languages), sum(len(one.not_found) for one in six_languages)
    assert right / (right + lost) >= MIN_MATCHED


def test_most_right_lines_are_unmarked(scores):
    six_languages = [one for name, one in scores.items() if name not in UNKNOWN_LANGUAGES]
    assert sum(len(one.right_but_marked) for one in six_languages) <= MAX_MARKED * sum(
        len(one.right) for one in six_languages
    )


@pytest.mark.parametrize("export_format", list(EXPORT_FORMATS))
def test_lines_of_the_simulated_exports_are_right_or_marked(export_format, tmp_path):
    exported = write_export(simulate(scenario_workshop("base", 400), 3), tmp_path, EXPORT_FORMATS[export_format], 3)
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


def test_a_count_of_pumps_is_not_pump_up_in_mm_and_the_map_says_why(tmp_path):
    proposed_map = propose_map([sheet(tmp_path, "Nr pumps", [str(i % 7) for i in range(60)])]).toml
    assert "pump_gain_mm =" not in proposed_map
    assert '"Nr pumps" for pump_gain_mm: it is a count (whole numbers from 0 to 6)' in proposed_map


def test_whole_numbers_without_a_unit_are_marked_for_a_field_in_mm(tmp_path):
    line = line_of("pump_gain_mm", propose_map([sheet(tmp_path, "Pump gain", [str(i % 7) for i in range(60)])]).toml)
    assert "CHECK" in line
    assert "looks like a count (whole numbers from 0 to 6)" in line


def test_readings_in_tenths_with_a_unit_are_unmarked_and_without_comment(tmp_path):
    cells = [f"{i % 40 / 10}" for i in range(60)]
    line = line_of("pump_gain_mm", propose_map([sheet(tmp_path, "Pump gain mm", cells)]).toml)
    assert line == 'pump_gain_mm = "Pump gain mm"'


@pytest.mark.parametrize(
    "word",
    ["weiss nicht", "weiß nicht", "don't know", "Don’t know", "ne sait pas", "weet niet", "no sé", "non so"],
)
def test_words_for_not_knowing_mean_not_recorded_and_never_no(tmp_path, word):
    export = sheet(tmp_path, "Pads out", [("yes", "no", word)[i % 3] for i in range(60)])
    (tmp_path / "map.toml").write_text(propose_map([export]).toml, encoding="utf-8")
    read = read_log([export], str(tmp_path / "map.toml")).sessions.get_column("pads_out")
    assert (read.null_count(), int((read == False).sum())) == (20, 20)  # noqa: E712


def test_a_phrase_understood_from_one_word_is_marked(tmp_path):
    cells = [("ja", "nein", "meist gemacht")[i % 3] for i in range(60)]
    line = line_of("pads_out", propose_map([sheet(tmp_path, "Beläge raus", cells)]).toml)
    assert "'meist gemacht' is read as yes because of one of its words" in line


def test_a_phrase_with_not_is_never_understood_from_another_word(tmp_path):
    cells = [("ja", "nein", "nicht so richtig")[i % 3] for i in range(60)]
    proposed = propose_map([sheet(tmp_path, "Beläge raus", cells)]).toml
    assert "unknown words: 'nicht so richtig'" in line_of("pads_out", proposed)
    assert "# CHECK: words not recognised; add each word to the list it belongs in: true, false" in proposed
    assert '#   "nicht so richtig" (20 cells)' in proposed


def test_a_heading_that_says_the_opposite_is_not_proposed(tmp_path):
    proposed_map = propose_map([sheet(tmp_path, "Not cleaned", [("yes", "no")[i % 2] for i in range(60)])]).toml
    assert "cleaned =" not in proposed_map
    assert "the heading says the opposite ('not')" in proposed_map


def test_a_unit_taken_from_the_readings_alone_is_marked(tmp_path):
    cells = [f"{2.1 + i % 9 / 10:.1f}" for i in range(60)]
    line = line_of("lever_travel_after_mm", propose_map([sheet(tmp_path, "Travel after", cells)]).toml)
    assert 'unit = "cm"' in line
    assert "CHECK: heading gives no unit; cm is guessed from the readings" in line


def line_of(field: str, toml: str) -> str:
    return next(line for line in toml.splitlines() if line.startswith(f"{field} ="))
